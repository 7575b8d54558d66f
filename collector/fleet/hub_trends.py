"""Trends of daily estimates of one quantity at one asset. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from statistics import median
from typing import NamedTuple

from collector.domain.units import DAY
from collector.physics.robust import mad_deviation

TREND_QUANTITIES = ("compressor-delivery", "leak-rate", "purge-done-at")
"""Quantities with a trend; the others are only shown."""

_LEAST_DAYS = 10
"""Fewest days with an estimate in each quarter."""
_MONTH = 30 * DAY


class EstimateDay(NamedTuple):
    """The last estimate of a quantity on one day (days since 1970 UTC). There are millions."""

    quantity: str
    asset: str
    day: int
    value: float | None
    unit: str
    time: int
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trend:
    """A change from ``before`` to ``now``; ``doubt`` is the deviation of the difference.

    For ``purge-done-at`` they are the first and the last estimate of the last 30 days, else the
    medians of the last quarter and of this one.
    """

    quantity: str
    asset: str
    unit: str
    before: float
    now: float
    doubt: float = 0.0


def quarter_before(today: date) -> tuple[date, date, date]:
    """Return the first days of the quarter before, of this one, and of the next.

    >>> [d.isoformat() for d in quarter_before(date(2026, 2, 14))]
    ['2025-10-01', '2026-01-01', '2026-04-01']
    """
    first = date(today.year, today.month - (today.month - 1) % 3, 1)

    def moved(day: date, months: int) -> date:
        count = day.year * 12 + day.month - 1 + months
        return date(count // 12, count % 12 + 1, 1)
    return moved(first, -3), first, moved(first, 3)


def trend_of(rows: Sequence[EstimateDay], now: int) -> Trend | None:
    """Return the trend of one quantity at one asset, or ``None``; ``rows`` are in order of days."""
    last = rows[-1]
    if last.quantity == "purge-done-at":
        recent = [r.value for r in rows if now - r.time < _MONTH and r.value is not None]
        return _trend(last, recent[0], recent[-1], 0.0) if len(recent) > 1 else None
    before, this, after = (_day(d) for d in quarter_before(
        datetime.fromtimestamp(now / 1000, UTC).date()))
    old = [r.value for r in rows if before <= r.day < this and r.unit == last.unit
           and r.value is not None]
    new = [r.value for r in rows if this <= r.day < after and r.unit == last.unit
           and r.value is not None]
    if min(len(old), len(new)) < _LEAST_DAYS:
        return None
    # The median of n values of a normal distribution varies by 1.2533 s/sqrt(n) (Kendall & Stuart,
    # vol. 1, from memory); s is taken from the median absolute deviation: a bad day counts little.
    doubt = 1.2533 * math.hypot(mad_deviation(old) / math.sqrt(len(old)),
                                mad_deviation(new) / math.sqrt(len(new)))
    return _trend(last, median(old), median(new), doubt)


def _trend(last: EstimateDay, before: float, now: float, doubt: float) -> Trend:
    return Trend(quantity=last.quantity, asset=last.asset, unit=last.unit, before=before, now=now,
                 doubt=doubt)


def _day(day: date) -> int:
    return (day - date(1970, 1, 1)).days
