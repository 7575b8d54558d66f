"""Recipients, their routes and rotas, from the site file.

Hours are on the site's wall clock, so that a shift keeps its times when the clocks change: on the
night they go back the repeated hour belongs to the shift twice.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from collector.domain.events import Priority, Signal

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
"""Days of the week as the site file writes them, in the order of ``datetime.weekday()``."""

DEFAULT_SIGNALS = frozenset({Signal.SUPERVISORY, Signal.TROUBLE})
"""Signals of a recipient that states none: those that cannot wait for a service visit."""

_DAY = 24 * 60
_HOURS = re.compile(r"\s*(\d{1,2}):(\d{2})\s*(?:-|–|to)\s*(\d{1,2}):(\d{2})\s*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """A part of the day in minutes after midnight, ``start`` included, ``end`` not.

    ``end`` at or before ``start`` runs over midnight; equal ends are the whole day from ``start``.
    """

    start: int
    end: int

    def __post_init__(self) -> None:
        if not (0 <= self.start < _DAY and 0 <= self.end <= _DAY):
            raise ValueError(f"not minutes of a day: {self.start} to {self.end}")

    def __str__(self) -> str:
        return "-".join(f"{m // 60:02d}:{m % 60:02d}" for m in (self.start, self.end))

    def day_of(self, local: datetime) -> int | None:
        """Return the weekday (0 = Monday) whose hours include ``local``, or ``None``.

        After midnight hours still belong to the day on which it began: Saturday 03:00 is the
        end of Friday's night shift.
        """
        minute = local.hour * 60 + local.minute
        if self.start < self.end:
            return local.weekday() if self.start <= minute < self.end else None
        if minute >= self.start:
            return local.weekday()
        if minute < self.end:
            return (local - timedelta(days=1)).weekday()
        return None


ALL_DAY = Hours(start=0, end=_DAY)


def parse_hours(text: str) -> Hours:
    """Read ``07:00-19:00`` (``19:00-07:00`` runs over midnight, ``00:00-24:00`` is all day).

    Raises ``ValueError`` saying what was expected.

    >>> str(parse_hours("19:00-07:00"))
    '19:00-07:00'
    """
    found = _HOURS.fullmatch(text)
    if found is None:
        raise ValueError(f"not hours: {text!r}; expected such as 07:00-19:00")
    h1, m1, h2, m2 = (int(g) for g in found.groups())
    if m1 > 59 or m2 > 59 or h1 > 23 or h2 * 60 + m2 > _DAY:
        raise ValueError(f"no such time of day in {text!r}; expected 00:00 to 24:00")
    return Hours(start=h1 * 60 + m1, end=h2 * 60 + m2)


def parse_days(words: Iterable[str]) -> frozenset[int]:
    """Read days such as ``["mon", "wed"]`` or ``["mon-fri"]`` as weekday numbers, Monday 0.

    Raises ``ValueError`` saying what was expected.

    >>> sorted(parse_days(["fri-sun", "mon"]))
    [0, 4, 5, 6]
    """
    days: set[int] = set()
    for word in words:
        first, dash, last = word.strip().lower().partition("-")
        ends = [first.strip(), last.strip() if dash else first.strip()]
        if any(end not in DAYS for end in ends):
            raise ValueError(f"not a day: {word!r}; expected {', '.join(DAYS)} or mon-fri")
        start, end = (DAYS.index(e) for e in ends)
        days |= {(start + n) % 7 for n in range((end - start) % 7 + 1)}
    return frozenset(days)


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """A filter of alarms. An empty set lets all through; ``signals`` has a default.

    ``things`` holds ids of assets or devices; a riser includes its vents. ``hours`` with
    ``days`` are when the route is open; hours over midnight belong to the day they began on.
    """

    signals: frozenset[Signal] = DEFAULT_SIGNALS
    priorities: frozenset[Priority] = frozenset()
    things: frozenset[str] = frozenset()
    conditions: frozenset[str] = frozenset()
    hours: Sequence[Hours] = (ALL_DAY,)
    days: frozenset[int] = frozenset()

    def open_at(self, local: datetime) -> bool:
        """Whether the route is open at this wall-clock time of the site."""
        found = (hours.day_of(local) for hours in self.hours or (ALL_DAY,))
        return any(day is not None and (not self.days or day in self.days) for day in found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of an escalation: after ``after`` ms without an acknowledgement, call the next.

    ``call`` is the id of a person, a rota or a recipient; of a rota, ``turn`` 1 is the person on
    duty then, 2 the one whose turn follows.
    """

    after: int
    call: str
    turn: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipient:
    """A recipient of the site file: an address or a rota, and its routes.

    ``to`` may hold a password, so it is neither shown by ``repr`` nor logged; ``id`` names the
    recipient everywhere else, ``name`` is a person's name. With ``rota`` the person on duty is
    called. A person has no routes: only rotas and escalations lead to one.

    An alarm goes to the recipient when one of ``routes`` matches it; with ``returned`` its return
    to normal does too, and with ``facts`` the collector's own events.

    Without an acknowledgement the steps of ``escalate`` follow; then all who were called are
    called again every ``repeat`` ms, ``repeats`` times. A service alarm never escalates. ``quiet``
    are hours (by the site's clock) in which service alarms are held, to go together at their end.
    """

    id: str
    to: str = field(default="", repr=False)
    name: str = ""
    rota: str = ""
    routes: tuple[Route, ...] = (Route(),)
    returned: bool = True
    facts: bool = False
    escalate: tuple[Step, ...] = ()
    repeat: int = 900_000
    repeats: int = 0
    quiet: tuple[Hours, ...] = ()
    brief: bool | None = None
    """Whether messages go in the short form; ``None``: as the address's service can carry."""

    @property
    def called(self) -> str:
        """The name to show."""
        return self.name or self.id

    @property
    def escalates(self) -> bool:
        """Whether further calls follow without an acknowledgement."""
        return bool(self.escalate) or self.repeats > 0

    @property
    def wants_events(self) -> bool:
        """Whether the address is a web hook, which takes the event's own JSON."""
        return self.to.lower().startswith(
            ("http://", "https://", "webhook+http://", "webhook+https://")
        )


_WEEK = timedelta(days=7)
_EPOCH = datetime(1970, 1, 1, tzinfo=ZoneInfo("UTC"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Override:
    """``person`` is on duty from ``start`` until ``end`` (wall clock of the rota), end excluded."""

    start: datetime
    end: datetime
    person: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Rota:
    """People in turn. ``people`` and overrides hold ids of persons.

    ``begins`` is the day of the first hand-over, to the first of ``people``; before it the last of
    them is on duty. A turn lasts ``weeks``. A hand-over that falls on one of ``holidays`` waits for
    the next day that is none. Of overlapping ``overrides`` the one written last counts.
    """

    id: str
    zone: ZoneInfo
    people: tuple[str, ...]
    begins: date
    hand_over: time = time(8)
    weeks: int = 1
    overrides: tuple[Override, ...] = ()
    holidays: frozenset[date] = field(default=frozenset())

    def __post_init__(self) -> None:
        if not self.people:
            raise ValueError(f"rota {self.id} has nobody")
        if self.weeks < 1:
            raise ValueError(f"a turn of {self.weeks} weeks")


def instant_of(local: datetime, zone: ZoneInfo) -> int:
    """Return a wall-clock time of ``zone`` as ms since 1970 UTC.

    >>> instant_of(datetime(2026, 3, 29, 1, 30), ZoneInfo("Europe/London"))  # skipped: 02:30 BST
    1774747800000
    """
    return (local.replace(tzinfo=zone, fold=0) - _EPOCH) // timedelta(milliseconds=1)


def _hand_over(rota: Rota, turn: int) -> int:
    """Return the instant (ms) at which turn number ``turn`` begins."""
    day = rota.begins + turn * rota.weeks * _WEEK
    while day in rota.holidays:
        day += timedelta(days=1)
    return instant_of(datetime.combine(day, rota.hand_over), rota.zone)


def _turn(rota: Rota, now: int) -> int:
    """Return the number of the turn that ``now`` lies in; below 0 before the rota begins."""
    today = (_EPOCH + timedelta(milliseconds=now)).astimezone(rota.zone).date()
    turn = (today - rota.begins) // (rota.weeks * _WEEK)
    # A hand-over later today, or one that waited for holidays, has not come yet.
    while _hand_over(rota, turn) > now:
        turn -= 1
    while _hand_over(rota, turn + 1) <= now:
        turn += 1
    return turn


def _overriding(rota: Rota, now: int) -> Override | None:
    found = None
    for one in rota.overrides:
        if instant_of(one.start, rota.zone) <= now < instant_of(one.end, rota.zone):
            found = one
    return found


def turns(rota: Rota, now: int) -> tuple[str, ...]:
    """Return the people of the rota in the order to call them at ``now``, each once.

    The first is on duty; after that come those whose turns follow.
    """
    first = _turn(rota, now) % len(rota.people)
    inside = _overriding(rota, now)
    order = [*rota.people[first:], *rota.people[:first]]
    return tuple(dict.fromkeys([inside.person, *order] if inside is not None else order))


def on_duty(rota: Rota, now: int) -> str:
    """Return the id of the person on duty at ``now`` (ms since 1970 UTC)."""
    return turns(rota, now)[0]


def _changes(rota: Rota, now: int) -> Iterator[int]:
    turn = _turn(rota, now)
    yield from (_hand_over(rota, turn + n) for n in range(1, len(rota.people) + 2))
    for one in rota.overrides:
        yield instant_of(one.start, rota.zone)
        yield instant_of(one.end, rota.zone)


def next_hand_over(rota: Rota, now: int) -> int | None:
    """Return when (ms) another person is next on duty, or ``None`` if that never happens."""
    today = on_duty(rota, now)
    later = sorted(at for at in _changes(rota, now) if at > now)
    return next((at for at in later if on_duty(rota, at) != today), None)
