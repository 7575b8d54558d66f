"""Periods and instants by the site's calendar: a day is from midnight to midnight there."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from collector.clock import parse_instant

__all__ = ["day_words", "instant_words", "last_month", "mark", "marks", "midnight", "period_words"]


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
