"""An event as a person reads it at three in the morning: what, where, since when, what to do.

The subject alone must do on a locked phone. The body is the event's own text (it already has the
numbers, the causes in the order to check them, and the condition's caution), then the site, the
times by the site's clock, how to acknowledge, where to read on, and what this is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.domain.conditions import CATALOGUE, CAUTIONS
from collector.domain.events import AlarmMoved, FactNoted, Transition
from collector.domain.messages import CAUTION, CHECKS, parts_of
from collector.domain.plant import Plant

__all__ = [
    "Message", "Reading", "alarm_message", "digest", "duration_text", "fact_message", "link_line",
    "local_time", "time_text", "title_and_place",
]

_LINE = 78
_HEADS = {
    Transition.RETURNED: "Back to normal", Transition.ACKNOWLEDGED: "Acknowledged",
    Transition.SHELVED: "Shelved", Transition.SUPPRESSED: "Suppressed by design",
    Transition.OUT_OF_SERVICE: "Taken out of service",
}

_REPEAT = (
    "You may have had this message already: an earlier try was cut off before it was confirmed."
)
_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - shifted into UTC below, without a float on the way


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """What is sent: a subject of one line and a body of plain text."""

    subject: str
    body: str
    attachment: Path | None = None
    """A file that goes with it where the way out can carry one."""

    def as_repeat(self) -> Message:
        """Return the same message, saying that it may be a repeat."""
        return replace(self, body=f"{_REPEAT}\n\n{self.body}")


def local_time(instant: int, zone: ZoneInfo) -> datetime:
    """Return an instant (ms since 1970 UTC) on the wall clock of ``zone``."""
    utc = (_EPOCH + timedelta(milliseconds=instant)).replace(tzinfo=ZoneInfo("UTC"))
    return utc.astimezone(zone)


def time_text(instant: int, zone: ZoneInfo) -> str:
    """Write an instant by the site's clock, with the zone's own letters for it.

    >>> time_text(1774749005000, ZoneInfo("Europe/London"))
    'Sunday 29 March 2026, 02:50:05 BST'
    """
    local = local_time(instant, zone)
    return f"{local:%A} {local.day} {local:%B %Y, %H:%M:%S %Z}"


def duration_text(duration: int) -> str:
    """Write ms as people say it, to the two largest units.

    >>> duration_text(7_845_000)
    '2 h 10 min'
    """
    seconds = duration // 1000
    sizes = ((86400, "d"), (3600, "h"), (60, "min"), (1, "s"))
    parts: list[str] = []
    for position, (size, unit) in enumerate(sizes):
        if seconds >= size:
            parts.append(f"{seconds // size} {unit}")
            rest = seconds % size
            if position + 1 < len(sizes) and rest >= sizes[position + 1][0]:
                parts.append(f"{rest // sizes[position + 1][0]} {sizes[position + 1][1]}")
            break
    return " ".join(parts) or "0 s"


def _title(event: AlarmMoved) -> str:
    known = CATALOGUE.get(event.condition)
    return known.title if known is not None else event.condition.replace("-", " ").capitalize()


def _where(asset: str, plant: Plant) -> str:
    """Return how people call the asset; a contact is named after the thing it belongs to."""
    name = plant.name_of(asset)
    thing, dot, quantity = asset.rpartition(".")
    if name == asset and dot and plant.name_of(thing) != thing:
        return f"{plant.name_of(thing)}, {quantity.replace('_', ' ')}"
    return name


def _set_apart(text: str) -> str:
    """Write a text's checks one below the other, as they are done, and its cautions after them."""
    parts = parts_of(text)
    checks = [f"  {n}. {check}" for n, check in enumerate(parts.checks, 1)]
    listed = "\n".join([CHECKS, *checks]) if checks else ""
    return "\n\n".join(p for p in (parts.facts, listed, *(
        f"{CAUTION} {said}" for said in parts.cautions)) if p)


def title_and_place(event: AlarmMoved, plant: Plant) -> str:
    """Return what and where in a few words, such as ``Supervisory pressure low: Dock riser``."""
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


def _acknowledge(event: AlarmMoved, board: str) -> str:
    where = f"open {board}" if board else "go to the site's board."
    if event.transition is Transition.RETURNED:
        return f"If nobody has acknowledged it yet, it still waits for that: {where}"
    if event.transition is not Transition.RAISED:
        return ""
    return f"To acknowledge it, {where}"


def _more(event: AlarmMoved, board: str) -> str:
    """Say where the page about the condition is; nothing for one of another version."""
    if event.transition is not Transition.RAISED or event.condition not in CATALOGUE:
        return ""
    page = f"{board.rstrip('/')}/explain/{event.condition}" if board \
        else f"quietpipe explain {event.condition}"
    return f"More: {page}"


def _times(event: AlarmMoved, plant: Plant) -> list[str]:
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


def _head(event: AlarmMoved, number: int = 1) -> str:
    head = _HEADS.get(event.transition)
    if head is None:
        head = f"{event.priority.value.upper()} {event.signal.value}"
    return head if number == 1 else f"Call {number}, {head}"


def alarm_message(
    event: AlarmMoved, plant: Plant, *, board: str = "", link: str = "", note: str = "",
    number: int = 1,
) -> Message:
    """Return the message of an alarm that was raised, dealt with, or has returned.

    ``board`` is the address people can open, ``link`` the lines that offer to acknowledge, each
    empty when there is none to give. ``note`` says what happened to earlier calls, ``number`` which
    call this is.
    """
    what = title_and_place(event, plant)
    parts = [
        note, _set_apart(event.text) or what,
        "\n".join([f"Site: {plant.site.name}", *_times(event, plant)]),
        "\n".join(line for line in (link or _acknowledge(event, board), _more(event, board))
                  if line),
    ]
    # A text that already carries the standing caution must not say it twice.
    caution = CAUTIONS["not-a-fire-alarm"]
    if caution not in event.text:
        parts.append(caution)
    return Message(subject=_subject(f"{_head(event, number)} – {what}", plant),
                   body="\n\n".join(p for p in parts if p))


def fact_message(event: FactNoted, plant: Plant) -> Message:
    """Return the message of something the collector itself noticed, or people declared."""
    zone = ZoneInfo(plant.site.timezone)
    what, where = _fact_words(event, plant)
    parts = [
        event.text or what,
        "\n".join([f"Site: {plant.site.name}", f"When: {time_text(event.time, zone)}"]),
        CAUTIONS["not-a-fire-alarm"],
    ]
    return Message(subject=f"Notice – {what}: {where}", body="\n\n".join(parts))


def _fact_words(event: FactNoted, plant: Plant) -> tuple[str, str]:
    what = event.fact.replace("-", " ").capitalize()
    return what, _where(event.asset, plant) if event.asset else plant.site.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One piece of news in a message of several; ``calls`` when it asks somebody to act."""

    event: AlarmMoved | FactNoted
    note: str = ""
    calls: bool = False

    def head(self, plant: Plant) -> str:
        """Return what it is, where, on one line."""
        if isinstance(self.event, AlarmMoved):
            return f"{_head(self.event)} – {title_and_place(self.event, plant)}"
        what, where = _fact_words(self.event, plant)
        return f"Notice – {what}: {where}"


def digest(
    news: Sequence[Reading], plant: Plant, *, board: str = "", link: str = "",
    held: int | None = None,
) -> Message:
    """Return one message of several pieces of news in the order given.

    ``held`` is since when (ms) quiet hours kept them back.
    """
    zone, caution = ZoneInfo(plant.site.timezone), CAUTIONS["not-a-fire-alarm"]
    calling = [n for n in news if n.calls]
    head = news[0].head(plant)
    intro = f"{len(news)} messages in one, the most urgent first."
    if len(calling) > 1:
        intro = f"{len(calling)} alarms in one message, the most urgent first."
    if held is not None:
        intro = f"{intro} Held back by quiet hours since {time_text(held, zone)}."
    blocks = []
    for number, one in enumerate(news, 1):
        times = _times(one.event, plant) if isinstance(one.event, AlarmMoved) \
            else [f"When: {time_text(one.event.time, zone)}"]
        text = _set_apart(one.event.text.replace(caution, "").strip())
        blocks.append("\n".join([f"{number}. {one.head(plant)}", *([one.note] if one.note else []),
                                 *([text] if text else []), *times]))
    where = f"To acknowledge them, {f'open {board}' if board else 'go to the board of the site.'}"
    ends = [link or where] if calling else []
    more = f"{head} and {len(news) - 1} more" if len(news) > 1 else head
    return Message(subject=_subject(more, plant), body="\n\n".join(
        [intro, *ends, *blocks, f"Site: {plant.site.name}", caution]))
