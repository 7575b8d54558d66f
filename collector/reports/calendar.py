"""The due periods of reports: whole weeks, months and quarters by the site's calendar.

A period ends at a local midnight, and its report is due at an hour of that day by the wall clock,
also across a change of clocks. Weeks begin on Mondays, quarters in January, April, July and
October.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from collector.reports.times import local, mark

__all__ = ["Period", "last_due", "next_period"]

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
