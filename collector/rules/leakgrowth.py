"""Growth of the leak by days: in a step or by a trend, tested against its own scatter.

References
----------
[1] Yue, Wang: The Mann-Kendall test modified by effective sample size to detect trend in serially
    correlated hydrological series. Water Resources Management 18 (2004) 201-218.

"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from collector.domain.units import DAY
from collector.physics.robust import mad_deviation, mann_kendall, sen_line

_SURE = 2.7
_TRENDS = ((8, 8.0), (14, 6.0), (28, 4.5), (56, 3.5))
"""Days of a window, and scatters that its growth must amount to."""
_STEPS = ((1, 5.0), (3, 4.5), (5, 4.5))
"""Days after a step, and deviations by which they must stand out."""
_BEFORE = 28
_KNOWN = 8
"""Days from which their scatter is used instead of their stated uncertainty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """A growth that stands out: from ``first`` to ``last`` (psi a day) since ``since`` (ms)."""

    since: int
    first: float
    last: float
    step: bool


def grown(
    rows: Sequence[Sequence[Any]], *, share: float, step: float, least: float,
) -> Growth | None:
    """Return the growth that the days show, or ``None``.

    ``share`` is the least growth over a trend and ``step`` from one day to the next, each as a part
    of what it began at; ``least`` the least growth in psi a day. A trend must pass the test of [1];
    a step must stand out from the scatter of the days before it.
    """
    if len(rows) < 5 or rows[-1][1] <= 0:
        return None
    for after, deviations in _STEPS:
        found = _step(rows, after, deviations, step if after == 1 else max(share, step / 2), least)
        if found is not None:
            return found
    scatter = _scatter(rows)
    for span, scatters in _TRENDS:
        found = _trend(rows[-span:], span, share, least, scatters * scatter)
        if found is not None:
            return found
    return None


def _scatter(rows: Sequence[Sequence[Any]]) -> float:
    """Return the scatter from one day to the next, without the trend."""
    hops = [b[1] - a[1] for a, b in zip(rows, rows[1:], strict=False)]
    seen = mad_deviation(hops) / math.sqrt(2.0)
    stated = float(median(r[2] for r in rows))
    return max(seen, stated * (0.4 if len(rows) >= _KNOWN else 1.0))


def _step(
    rows: Sequence[Sequence[Any]], after: int, deviations: float, share: float, least: float,
) -> Growth | None:
    before, recent = rows[-_BEFORE - after:-after], rows[-after:]
    if len(before) < max(4, 2 * after):
        return None
    middle, now = median(r[1] for r in before), median(r[1] for r in recent)
    # The days themselves, not their hops: a leak that wanders does not step.
    scatter = max(mad_deviation([r[1] for r in before]), _scatter(before))
    doubt = math.hypot(scatter * math.sqrt(1.0 / after + 1.6 / len(before)), recent[-1][2] / after)
    growth = now - middle
    scale = rows[-1][3] / rows[-1][1]
    if growth > max(share * middle, deviations * doubt) and growth * scale > least:
        return Growth(since=int(before[-1][0]), first=middle * scale, last=now * scale, step=True)
    return None


def _trend(
    rows: Sequence[Sequence[Any]], span: int, share: float, least: float, doubt: float,
) -> Growth | None:
    if len(rows) < span:
        return None
    times = [(r[0] - rows[0][0]) / DAY for r in rows]
    values = [r[1] for r in rows]
    # A leak that grows by so much a day is straight in its logarithm; its rests are then free of
    # the bend that would pass for correlation.
    logs = [math.log(v) for v in values] if min(values) > 0 else values
    line = sen_line(times, values, level=0.98)
    first = line.at(times[0])
    growth = line.at(times[-1]) - first
    scale = rows[-1][3] / rows[-1][1]
    if growth <= max(share * max(first, 0.0), doubt) or growth * scale <= least or line.low <= 0:
        return None
    if mann_kendall(logs, lag_one=True).z < _SURE:
        return None
    return Growth(since=int(rows[0][0]), first=first * scale, last=(first + growth) * scale,
                  step=False)
