"""What the page of a link shows: each alarm in full, where it stands, whether it can be answered.

Pure. A link answers only what is raised and unacknowledged; what happened since is told instead.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from collector.domain.conditions import CAUTIONS
from collector.domain.events import AlarmMoved, Transition
from collector.domain.links import BY_LINK, Link, LinkFault
from collector.domain.live import AlarmState, LiveAlarm
from collector.domain.messages import parts_of
from collector.domain.plant import Plant
from collector.web.board_lists import place_of, title_of
from collector.web.words import age, moment

__all__ = ["FAULTS", "LinkEntry", "LinkPage", "link_page"]

FAULTS: Mapping[LinkFault, tuple[int, str, str]] = {
    LinkFault.FORGED: (
        403, "This link opens nothing",
        "It was not made here, belongs to another site, or lost a piece on its way: some mail "
        "programs break long links. Copy it whole from the message."),
    LinkFault.OTHER_SITE: (
        403, "This link is for another site",
        "Open it at the address that its own message gives."),
    LinkFault.EXPIRED: (
        410, "This link has expired",
        "It worked for a limited time only. Look at the board for what stands now."),
}
"""Status, heading and sentence for each fault; nothing of the site is told to such a visitor."""

_WHAT = {
    Transition.ACKNOWLEDGED: "Acknowledged", Transition.RETURNED: "Back to normal",
    Transition.SHELVED: "Shelved", Transition.SUPPRESSED: "Suppressed by design",
    Transition.OUT_OF_SERVICE: "Taken out of service",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkEntry:
    """One alarm: what, where, how urgent, since when, the numbers, what to check, cautions."""

    occurrence: str
    title: str
    where: str
    urgency: str
    since: str
    facts: str
    checks: tuple[str, ...]
    cautions: tuple[str, ...]
    waiting: bool
    """Whether it still waits for an acknowledgement."""
    stands: str
    """What became of it, in a sentence; empty while it waits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkPage:
    """The whole page. ``heading`` says it all; ``button`` is empty when nothing can be done."""

    heading: str
    sentence: str
    site: str
    person: str
    until: str
    button: str
    entries: tuple[LinkEntry, ...]


def link_page(
    link: Link, *, person: str, plant: Plant, alarms: Sequence[LiveAlarm],
    history: Mapping[str, Sequence[AlarmMoved]], now: int,
) -> LinkPage:
    """Return the page of a link; ``history`` has the events of each occurrence, oldest first."""
    zone = ZoneInfo(plant.site.timezone)
    live = {a.id: a for a in alarms}
    entries = tuple(
        _entry(name, live.get(name), history.get(name, ()), plant, zone, now)
        for name in link.occurrences
    )
    waiting = sum(e.waiting for e in entries)
    heading, sentence = _heading(entries, waiting, history, person)
    button = "" if not waiting else "I have seen it: acknowledge" if waiting == 1 \
        else f"I have seen all {waiting}: acknowledge"
    return LinkPage(
        heading=heading, sentence=sentence, site=plant.site.name, person=person,
        until=moment(link.expires, zone, now), button=button, entries=entries,
    )


def _heading(
    entries: Sequence[LinkEntry], waiting: int, history: Mapping[str, Sequence[AlarmMoved]],
    person: str,
) -> tuple[str, str]:
    if waiting:
        return ("Not acknowledged yet" if waiting == 1 else f"{waiting} not acknowledged yet",
                "Nobody has said yet that they have seen this.")
    used = any(e.transition is Transition.ACKNOWLEDGED and e.by == person + BY_LINK
               for events in history.values() for e in events)
    if used:
        return "Acknowledged", ("You acknowledged it with this link, which has done its work. "
                                "Calling has stopped.")
    known = any(e.title for e in entries)
    if not known:
        return "Nothing is known of it any more", "Look at the board for what stands now."
    return "Nothing is left to do here", ("Others were quicker, or it is over. This link changes "
                                          "nothing any more.")


def _entry(
    name: str, alarm: LiveAlarm | None, events: Sequence[AlarmMoved], plant: Plant,
    zone: ZoneInfo, now: int,
) -> LinkEntry:
    raised = next((e for e in events if e.transition is Transition.RAISED), None)
    told = alarm or raised
    waiting = alarm is not None and alarm.state is AlarmState.UNACKNOWLEDGED
    if told is None:
        return LinkEntry(occurrence=name, title="", where="", urgency="", since="", facts="",
                         checks=(), cautions=(), waiting=False, stands="")
    # A shelved alarm's text says so; what it is about stands in the raising.
    parts = parts_of((told if waiting or raised is None else raised).text)
    title, where = title_of(told.condition), place_of(plant, told.asset)
    standing = f", for {age(now - told.since)}" if waiting else ""
    return LinkEntry(
        occurrence=name, title=title, where=where,
        urgency=f"{told.priority.value.capitalize()} {told.signal.value}",
        since=f"{moment(told.since, zone, now)}{standing}",
        facts=parts.facts.removeprefix(f"{title}: {where}.").strip(),
        checks=parts.checks, cautions=tuple(c for c in parts.cautions if c not in _STANDING),
        waiting=waiting, stands="" if waiting else _became(events, zone, now),
    )


_STANDING = frozenset({CAUTIONS["not-a-fire-alarm"]})
"""At the foot of every page anyway."""


def _became(events: Sequence[AlarmMoved], zone: ZoneInfo, now: int) -> str:
    said = []
    for event in events:
        if event.transition not in _WHAT:
            continue
        by = f" by {event.by}" if event.by else ""
        why = f" ({event.why})" if event.why else ""
        said.append(f"{_WHAT[event.transition]}{by} at {moment(event.time, zone, now)}{why}.")
    return " ".join(said) or "It does not stand any more."
