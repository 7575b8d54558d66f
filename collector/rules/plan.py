"""The service plan: running hours by a counter that may be replaced, and a calendar date."""

from __future__ import annotations

import calendar
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from collector.domain.plant import Generator
from collector.domain.units import HOUR
from collector.rules.base import State

_SLACK = 1.0  # h, what counters round away and clocks differ by
_DAY_HOURS = 24.0


def months_later(day: date, months: int) -> date:
    """Return the same day of the month ``months`` later, or that month's last.

    >>> months_later(date(2026, 8, 31), 6)
    datetime.date(2027, 2, 28)
    """
    index = day.year * 12 + day.month - 1 + months
    year, month = divmod(index, 12)
    last = calendar.monthrange(year, month + 1)[1]
    return date(year, month + 1, min(day.day, last))


def start_of_day(day: date, timezone: str) -> int:
    """Return the instant (ms) at which ``day`` begins at the site."""
    local = datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(timezone))
    return int(local.timestamp()) * 1000


def calendar_due(unit: Generator, timezone: str) -> int | None:
    """Return when (ms) service is due by the calendar, or ``None`` without a plan."""
    if unit.service_months is None or unit.last_service is None:
        return None
    return start_of_day(months_later(unit.last_service, unit.service_months), timezone)


@dataclass(slots=True, kw_only=True)
class HourClock(State):
    """An hour counter that goes on across its own replacement.

    A counter can neither fall nor run ahead of the clock. One that does was replaced or rolled
    over: its new value is taken to follow on the old one, and ``lost`` keeps for how many hours
    its count was not seen. A value that goes back to where it was is a slip of one reading.
    """

    value: float | None = None
    value_at: int | None = None
    shift: float = 0.0
    lost: float = 0.0
    swap_at: int | None = None
    old: float = 0.0
    old_at: int | None = None
    old_shift: float = 0.0
    old_lost: float = 0.0
    plan: str = ""
    """The plan that shift and loss belong to; a service starts a new one."""

    def sample(self, at: int, value: float) -> bool:
        """Apply a reading; return whether it did not follow on the last."""
        last, last_at = self.value, self.value_at
        self.value, self.value_at = value, at
        if last is None or last_at is None or _follows(last, last_at, value, at):
            return False
        if self.old_at is not None and _follows(self.old, self.old_at, value, at):
            self.shift, self.lost = self.old_shift, self.old_lost
            self.swap_at = self.old_at = None
            return True
        self.old, self.old_at, self.old_shift, self.old_lost = last, last_at, self.shift, self.lost
        self.shift -= value - last
        self.lost += (at - last_at) / HOUR
        self.swap_at = at
        return True

    def hours(self, value: float) -> float:
        """Return the hours as if the counter had never been replaced."""
        return value + self.shift

    def begin(self, plan: str) -> None:
        if plan != self.plan:
            self.shift = self.lost = 0.0
            self.swap_at = self.old_at = None
            self.plan = plan


def _follows(last: float, last_at: int, value: float, at: int) -> bool:
    return -_SLACK <= value - last <= (at - last_at) / HOUR + _SLACK


@dataclass(frozen=True, slots=True, kw_only=True)
class HourPlan:
    """Service by running hours, counted from the counter's value at the last service."""

    every: float
    base: float
    since: int | None
    """When (ms) the last service was, where the site file says."""
    key: str

    @classmethod
    def of(cls, unit: Generator, timezone: str) -> HourPlan | str | None:
        """Return the plan, the reason there can be none, or ``None`` where no plan is set."""
        if unit.service_every is None:
            return None
        if unit.last_service is not None and unit.last_service_hours is None:
            return "the site file has last_service but not last_service_hours"
        since = None
        if unit.last_service is not None:
            since = start_of_day(unit.last_service, timezone)
        # A unit that was never serviced counts from new.
        base = unit.last_service_hours or 0.0
        return cls(every=unit.service_every, base=base, since=since,
                   key=f"{unit.last_service} {base}")

    def used(self, clock: HourClock, value: float, now: int) -> float | str:
        """Return the hours since the last service, or the reason they are not known."""
        used = clock.hours(value) - self.base
        if used < -_SLACK:
            return (
                f"the hour counter reads {value:.0f} h, less than the {self.base:.0f} h of the "
                "last service: it was replaced or rolled over; state last_service_hours again"
            )
        if self.since is not None and used > (now - self.since) / HOUR + _DAY_HOURS:
            return (
                f"the hour counter reads {value:.0f} h, more than the clock allows since the last "
                "service: it was replaced; state last_service_hours again"
            )
        return max(0.0, used)
