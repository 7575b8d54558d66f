"""Who is on duty: weeks taken in turn, hand-overs by a wall clock, overrides, holidays. Pure.

A week is a local week: a hand-over at 08:00 stays at 08:00 when the clocks change, so one turn of a
year is an hour short and another an hour long. A wall-clock time that the clocks skip is taken as
the same time by the clock before the change (01:30 becomes 02:30); one that comes twice means the
first of the two.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

__all__ = ["Override", "Rota", "instant_of", "next_hand_over", "on_duty", "turns"]

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
    """Return when turn number ``turn`` begins, ms."""
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
    """Return everybody on the rota in the order to call them in at ``now``, each once.

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
    """Return when (ms) somebody else is next on duty; ``None`` where nobody else ever is."""
    today = on_duty(rota, now)
    later = sorted(at for at in _changes(rota, now) if at > now)
    return next((at for at in later if on_duty(rota, at) != today), None)
