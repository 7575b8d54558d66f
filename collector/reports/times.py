"""Periods and instants by the site's calendar: a day is from local midnight to midnight.

Reports are of whole weeks (from Monday), months and quarters. A period ends at a local midnight,
and its report is due at an hour of that day by the wall clock, also across a change of clocks.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from collector.clock import parse_instant


def mark(day: date, zone: ZoneInfo, hour: int = 0) -> int:
    """Return the instant (ms) of a wall-clock hour of a day."""
    return int(datetime(day.year, day.month, day.day, hour, tzinfo=zone).timestamp()) * 1000


def local(instant: int, zone: ZoneInfo) -> datetime:
    """Return the wall clock at an instant (ms)."""
    return datetime.fromtimestamp(instant // 1000, zone)


def midnight(text: str, zone: ZoneInfo) -> int:
    """Read a day (its first instant by the site's clock) or an instant, as ms.

    Raises ``ValueError`` when it is neither.
    """
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return parse_instant(text)
    return mark(day, zone)


def last_month(now: int, zone: ZoneInfo) -> tuple[int, int]:
    """Return the last whole month before ``now``."""
    first = local(now, zone).date().replace(day=1)
    return mark((first - timedelta(days=1)).replace(day=1), zone), mark(first, zone)


def marks(start: int, end: int, zone: ZoneInfo, *, monthly: bool, hour: int = 9) -> Iterator[int]:
    """Yield Mondays, or firsts of a month, at a wall-clock hour within the span."""
    day = local(start, zone).date()
    while (at := mark(day, zone, hour)) < end:
        if at >= start and (day.day == 1 if monthly else day.weekday() == 0):
            yield at
        day += timedelta(days=1)


def day_words(instant: int, zone: ZoneInfo) -> str:
    """Write a day: ``Mon 2 Mar 2026``."""
    when = local(instant, zone)
    return f"{when:%a} {when.day} {when:%b %Y}"


def instant_words(instant: int, zone: ZoneInfo) -> str:
    """Write an instant: ``2 Mar 2026, 09:05``."""
    when = local(instant, zone)
    return f"{when.day} {when:%b %Y, %H:%M}"


def period_words(start: int, end: int, zone: ZoneInfo) -> str:
    """Write a period: by its days where it runs from midnight to midnight, else by the minute."""
    first, last = local(start, zone), local(end, zone)
    if (first.hour, first.minute, last.hour, last.minute) != (0, 0, 0, 0):
        return f"{instant_words(start, zone)} to {instant_words(end, zone)}"
    final = last - timedelta(days=1)
    return f"{first.day} {first:%B %Y} to {final.day} {final:%B %Y}"


_MONTHS = {"month": 1, "quarter": 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """One period (ms, ``end`` excluded) and when its report is due."""

    start: int
    end: int
    due: int


def _first(every: str, day: date) -> date:
    """Return the first day of the week, month or quarter of a day."""
    if every == "week":
        return day - timedelta(days=day.weekday())
    months = _MONTHS[every]
    return day.replace(month=(day.month - 1) // months * months + 1, day=1)


def _following(every: str, first: date) -> date:
    """Return the first day of the period after the one that begins on ``first``."""
    # A week, or 32 (100) days, after the first day is within the next period.
    ahead = {"week": 7, "month": 32, "quarter": 100}[every]
    return _first(every, first + timedelta(days=ahead))


def _period(every: str, first: date, at: int, zone: ZoneInfo) -> Period:
    end = _following(every, first)
    due = datetime.combine(end, time(at // 60, at % 60), tzinfo=zone)
    return Period(start=mark(first, zone), end=mark(end, zone), due=int(due.timestamp()) * 1000)


def last_due(every: str, at: int, zone: ZoneInfo, now: int) -> Period:
    """Return the newest period whose report is due by ``now`` (ms).

    ``every`` is week, month or quarter, ``at`` the minutes after midnight.
    """
    first = _first(every, local(now, zone).date())
    while True:
        first = _first(every, first - timedelta(days=1))
        found = _period(every, first, at, zone)
        if found.due <= now:
            return found


def next_period(every: str, at: int, zone: ZoneInfo, after: int) -> Period:
    """Return the period that begins where the one that ended at ``after`` (ms) left off."""
    return _period(every, _first(every, local(after, zone).date()), at, zone)
