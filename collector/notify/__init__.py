"""Messages to people: what happened, where, since when, and what to do.

The subject alone must do on a locked phone. The body is the event's own text (it already has the
numbers, the causes in the order to check them, and the condition's caution), then the site, the
times by the site's clock, how to acknowledge, the handbook page, and the caution of every message.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.domain.conditions import CATALOGUE, CAUTIONS
from collector.domain.events import AlarmTransition, SystemEvent, Transition
from collector.domain.messages import CAUTION, CHECKS, parts_of
from collector.domain.plant import Plant
from collector.domain.units import duration_text, time_text

_LINE = 78
_HEADS = {
    Transition.RETURNED: "Back to normal", Transition.ACKNOWLEDGED: "Acknowledged",
    Transition.SHELVED: "Shelved", Transition.SUPPRESSED: "Suppressed by design",
    Transition.OUT_OF_SERVICE: "Taken out of service",
}

_REPEAT = (
    "You may have had this message already: an earlier try was cut off before it was confirmed."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """A message: a subject of one line and a body of plain text."""

    subject: str
    body: str
    attachment: Path | None = None
    """A file to send along where the channel can carry one."""

    def as_repeat(self) -> Message:
        """Return the message with a note that it may be a repeat."""
        return replace(self, body=f"{_REPEAT}\n\n{self.body}")


def _title(event: AlarmTransition) -> str:
    known = CATALOGUE.get(event.condition)
    return known.title if known is not None else event.condition.replace("-", " ").capitalize()


def _where(asset: str, plant: Plant) -> str:
    """Return the asset's display name; a contact is named after the asset it belongs to."""
    name = plant.name_of(asset)
    thing, dot, quantity = asset.rpartition(".")
    if name == asset and dot and plant.name_of(thing) != thing:
        return f"{plant.name_of(thing)}, {quantity.replace('_', ' ')}"
    return name


def _set_apart(text: str) -> str:
    """Write a text's checks one below the other, in their order, and its cautions after them."""
    parts = parts_of(text)
    checks = [f"  {n}. {check}" for n, check in enumerate(parts.checks, 1)]
    listed = "\n".join([CHECKS, *checks]) if checks else ""
    return "\n\n".join(p for p in (parts.facts, listed, *(
        f"{CAUTION} {said}" for said in parts.cautions)) if p)


def title_and_place(event: AlarmTransition, plant: Plant) -> str:
    """Return condition and place, such as ``Pressure low: Dock riser``."""
    return f"{_title(event)}: {_where(event.asset, plant)}"


def _subject(text: str, plant: Plant) -> str:
    """Add the site where there is room: people look after several (RFC 5322 2.1.1: 78 a line)."""
    for site in (plant.site.name, plant.site.id):
        if len(text) + len(site) + 3 <= _LINE:
            return f"{text} · {site}"
    return text


def link_line(address: str, expires: int, zone: ZoneInfo, alarms: int) -> str:
    """Return the lines that offer a link which acknowledges ``alarms`` alarms."""
    what = "it" if alarms == 1 else f"all {alarms}"
    return (f"To look at it and acknowledge {what}, no sign-in needed (works once, until "
            f"{time_text(expires, zone)}):\n{address}")


def _acknowledge(event: AlarmTransition, board: str) -> str:
    where = f"open {board}" if board else "go to the site's board."
    if event.transition is Transition.RETURNED:
        return f"If it is not acknowledged yet, acknowledge it: {where}"
    if event.transition is not Transition.RAISED:
        return ""
    return f"To acknowledge it, {where}"


def _more(event: AlarmTransition, board: str) -> str:
    """Return where the handbook page is; nothing for a condition of another version."""
    if event.transition is not Transition.RAISED or event.condition not in CATALOGUE:
        return ""
    page = f"{board.rstrip('/')}/explain/{event.condition}" if board \
        else f"quietpipe explain {event.condition}"
    return f"More: {page}"


def _times(event: AlarmTransition, plant: Plant) -> list[str]:
    zone = ZoneInfo(plant.site.timezone)
    lines = [f"Since: {time_text(event.since, zone)}"]
    if event.transition is Transition.RETURNED:
        lines.append(f"Back to normal: {time_text(event.time, zone)}, "
                     f"after {duration_text(max(event.time - event.since, 0))}")
    elif event.transition is not Transition.RAISED:
        lines.append(f"{_HEADS[event.transition]}: {time_text(event.time, zone)}")
    elif event.time - event.since >= 1000:
        lines.append(f"Reported: {time_text(event.time, zone)}")
    return lines


def _headed(
    event: AlarmTransition, plant: Plant, number: int = 1, back: AlarmTransition | None = None,
) -> str:
    """Return the line that must do on a locked phone; one that has ended says so first."""
    what = title_and_place(event, plant)
    if back is not None:
        return f"{_HEADS[Transition.RETURNED]} – {what}, was {_head(event)}"
    return f"{_head(event, number)} – {what}"


def _head(event: AlarmTransition, number: int = 1) -> str:
    head = _HEADS.get(event.transition)
    if head is None:
        head = f"{event.priority.value.upper()} {event.signal.value}"
    return head if number == 1 else f"Call {number}, {head}"


def alarm_message(
    event: AlarmTransition, plant: Plant, *, board: str = "", link: str = "", note: str = "",
    number: int = 1, back: AlarmTransition | None = None,
) -> Message:
    """Return the message of an alarm that was raised, handled, or has returned.

    ``back`` is the return of an alarm that ended before it could be reported.

    ``board`` is the address people can open, ``link`` the lines that offer to acknowledge, each
    empty when there is none to give. ``note`` lists earlier calls, ``number`` counts this one.
    """
    what = title_and_place(event, plant)
    parts = [
        _back_words(back, plant), note, _set_apart(event.text) or what,
        "\n".join([f"Site: {plant.site.name}", *_times(event, plant)]),
        "\n".join(line for line in (link or _acknowledge(event, board), _more(event, board))
                  if line),
    ]
    # A text that already carries the standing caution must not say it twice.
    caution = CAUTIONS["not-a-fire-alarm"]
    if caution not in event.text:
        parts.append(caution)
    return Message(subject=_subject(_headed(event, plant, number, back), plant),
                   body="\n\n".join(p for p in parts if p))


def _back_words(back: AlarmTransition | None, plant: Plant) -> str:
    if back is None:
        return ""
    return (f"It has already returned to normal, at "
            f"{time_text(back.time, ZoneInfo(plant.site.timezone))}, after "
            f"{duration_text(max(back.time - back.since, 0))}: before this was sent.")


def fact_message(event: SystemEvent, plant: Plant) -> Message:
    """Return the message of an event of the collector itself, or of a declaration."""
    zone = ZoneInfo(plant.site.timezone)
    what, where = _fact_words(event, plant)
    parts = [
        event.text or what,
        "\n".join([f"Site: {plant.site.name}", f"When: {time_text(event.time, zone)}"]),
        CAUTIONS["not-a-fire-alarm"],
    ]
    return Message(subject=f"Notice – {what}: {where}", body="\n\n".join(parts))


def _fact_words(event: SystemEvent, plant: Plant) -> tuple[str, str]:
    what = event.fact.replace("-", " ").capitalize()
    return what, _where(event.asset, plant) if event.asset else plant.site.name


_NAMED = 40


def folded_message(messages: Sequence[tuple[str, int]], count: int, plant: Plant) -> Message:
    """Return the message that stands for ``count`` others, of which the newest are given.

    Each is a subject and the instant (ms) it was made; the newest comes first.
    """
    zone = ZoneInfo(plant.site.timezone)
    lines = [f"{time_text(at, zone)}  {subject}" for subject, at in messages[:_NAMED]]
    more = [f"and {count - len(lines)} more"] if count > len(lines) else []
    return Message(
        subject=_subject(f"{count} older messages in one", plant),
        body="\n\n".join([
            f"{count} messages had piled up while none could be delivered. They are not sent one "
            "by one: the newest alarms were sent by themselves. Open the board for what is active "
            "now, and for all that happened.",
            "\n".join([*lines, *more]), f"Site: {plant.site.name}", CAUTIONS["not-a-fire-alarm"],
        ]))


@dataclass(frozen=True, slots=True, kw_only=True)
class NewsItem:
    """One item of a message with several; ``calls`` when it asks for an action."""

    event: AlarmTransition | SystemEvent
    note: str = ""
    calls: bool = False
    back: AlarmTransition | None = None
    """The return of an alarm that ended before it could be reported."""

    def head(self, plant: Plant) -> str:
        """Return the item's heading, on one line."""
        if isinstance(self.event, AlarmTransition):
            return _headed(self.event, plant, back=self.back)
        what, where = _fact_words(self.event, plant)
        return f"Notice – {what}: {where}"

    def lead(self) -> str:
        """Return the first words of the short form: the priority, or what became of it."""
        if not isinstance(self.event, AlarmTransition):
            return "Notice:"
        if self.back is not None:
            return f"Back to normal: {self.event.priority.value.upper()}"
        head = _HEADS.get(self.event.transition)
        return f"{head}:" if head is not None else self.event.priority.value.upper()


def title_of(event: AlarmTransition | SystemEvent) -> str:
    """Return the title of an alarm or event."""
    return _title(event) if isinstance(event, AlarmTransition) \
        else event.fact.replace("-", " ").capitalize()


def place_of(event: AlarmTransition | SystemEvent, plant: Plant) -> str:
    """Return the display name of the asset, or of the site."""
    return _where(event.asset, plant) if event.asset else plant.site.name


def digest(
    news: Sequence[NewsItem], plant: Plant, *, board: str = "", link: str = "",
    held: int | None = None,
) -> Message:
    """Return one message of several items, in the order given.

    ``held`` is the instant (ms) since which quiet hours kept them back.
    """
    zone, caution = ZoneInfo(plant.site.timezone), CAUTIONS["not-a-fire-alarm"]
    urgent = [n for n in news if n.calls]
    head = news[0].head(plant)
    intro = f"{len(news)} messages in one, the most urgent first."
    if len(urgent) > 1:
        intro = f"{len(urgent)} alarms in one message, the most urgent first."
    if held is not None:
        intro = f"{intro} Held back by quiet hours since {time_text(held, zone)}."
    blocks = []
    for number, one in enumerate(news, 1):
        times = _times(one.event, plant) if isinstance(one.event, AlarmTransition) \
            else [f"When: {time_text(one.event.time, zone)}"]
        text = _set_apart(one.event.text.replace(caution, "").strip())
        back = _back_words(one.back, plant)
        blocks.append("\n".join([f"{number}. {one.head(plant)}", *([back] if back else []),
                                 *([one.note] if one.note else []),
                                 *([text] if text else []), *times]))
    where = f"To acknowledge them, {f'open {board}' if board else 'go to the board of the site.'}"
    ends = [link or where] if urgent else []
    more = f"{head} and {len(news) - 1} more" if len(news) > 1 else head
    return Message(subject=_subject(more, plant), body="\n\n".join(
        [intro, *ends, *blocks, f"Site: {plant.site.name}", caution]))
