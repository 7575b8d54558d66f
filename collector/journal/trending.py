"""The numbers of one point: each reading, or minimum, mean and maximum per step.

An hour that lies whole within one step counts by its own aggregates, summed up by the database: a
year of one point is 8760 small rows and no block. An hour that the edge of a step cuts is unpacked,
and its samples are taken a slice at a time.
"""

from __future__ import annotations

import sqlite3
from bisect import bisect_left
from collections.abc import Iterator, Mapping
from math import fsum, nan
from operator import itemgetter

from collector.domain.trends import TrendStep
from collector.journal.codec import unpack_instants, unpack_values
from collector.journal.history import GOOD, HOUR, counts

__all__ = ["numbers", "trend"]

_WITHIN = "p.series = :series AND p.hour >= :first AND p.hour <= :last"
_CUT = (
    f"(p.hour * {HOUR} < :start OR (p.hour + 1) * {HOUR} > :end OR "
    f"(p.hour * {HOUR} - :start) / :step != ((p.hour + 1) * {HOUR} - 1 - :start) / :step)"
)
_WHOLE_HOURS = (
    f"SELECT (p.hour * {HOUR} - :start) / :step AS place, sum(p.count_good), "
    "sum(p.mean * p.count_good), min(p.low), max(p.high) FROM packed_hours p "
    f"WHERE {_WITHIN} AND NOT {_CUT} AND p.count_good > 0 GROUP BY place"
)
_BLOCKS = (
    "SELECT p.hour, t.data, v.data FROM packed_hours p "
    "CROSS JOIN packed_times t ON t.id = p.times_id "
    f"CROSS JOIN packed_values v ON v.id = p.values_id WHERE {_WITHIN}"
)
_OPEN_ROWS = (
    "SELECT time, value, quality FROM readings "
    "WHERE series = :series AND time >= :start AND time < :end ORDER BY time"
)


class _Step:
    """Collects one step of a trend."""

    __slots__ = ("count", "high", "low", "sums")

    def __init__(self) -> None:
        self.count = 0
        self.sums: list[float] = []
        self.low = float("inf")
        self.high = float("-inf")

    def add(self, count: int, total: float, low: float, high: float) -> None:
        self.count += count
        self.sums.append(total)
        self.low = min(self.low, low)
        self.high = max(self.high, high)

    def done(self, start: int, end: int) -> TrendStep:
        if not self.count:
            return TrendStep(start=start, end=end, count=0, low=None, mean=None, high=None)
        # Rounding may put the mean of equal values a hair outside of them.
        mean = min(max(fsum(self.sums) / self.count, self.low), self.high)
        return TrendStep(
            start=start, end=end, count=self.count, low=self.low, mean=mean, high=self.high
        )


def trend(db: sqlite3.Connection, series: int, start: int, end: int, step: int) -> list[TrendStep]:
    """Return the steps from ``start`` to ``end`` (excluded); the last may be shorter.

    Every good reading counts in its own step, whatever the step: only the mean of whole hours is
    that of their means, each with its count, which differs by rounding alone.
    """
    steps = [_Step() for _ in range(-((start - end) // step))]
    asked = _asked(series, start, end) | {"step": step}
    if step >= HOUR:
        for place, count, total, low, high in db.execute(_WHOLE_HOURS, asked):
            steps[place].add(count, total, low, high)
    for times, values in map(_counting, _vectors(db, asked, f"{_BLOCKS} AND {_CUT}")):
        at, beyond = bisect_left(times, start), bisect_left(times, end)
        while at < beyond:
            place = (times[at] - start) // step
            next_at = bisect_left(times, min(start + (place + 1) * step, end), at)
            part = values[at:next_at]
            steps[place].add(len(part), fsum(part), min(part), max(part))
            at = next_at
    return [
        s.done(start + i * step, min(start + (i + 1) * step, end)) for i, s in enumerate(steps)
    ]


def numbers(
    db: sqlite3.Connection, series: int, start: int, end: int,
) -> list[tuple[int, float | None]]:
    """Return each reading's time and its value, ``None`` where it is not good, in time order."""
    asked = _asked(series, start, end)
    found: list[tuple[int, float | None]] = []
    for times, values, qualities in _vectors(db, asked, _BLOCKS + " ORDER BY p.hour"):
        if qualities.count(GOOD) != len(qualities):
            values = [v if q == GOOD else None for v, q in zip(values, qualities, strict=True)]
        within = slice(bisect_left(times, start), bisect_left(times, end))
        found.extend(zip(times[within], values[within], strict=True))
    # What came late to an hour that was packed lies among the open rows, behind all blocks.
    found.sort(key=itemgetter(0))
    return found


_Vectors = tuple[list[int], list[float | None], list[int]]


def _asked(series: int, start: int, end: int) -> dict[str, int]:
    return {"series": series, "start": start, "end": end, "first": start // HOUR,
            "last": (end - 1) // HOUR}


def _vectors(
    db: sqlite3.Connection, asked: Mapping[str, int], blocks: str,
) -> Iterator[_Vectors]:
    """Yield times, values and qualities of each block, then of the open rows, in time order."""
    for hour, times, values in db.execute(blocks, asked):
        floats, qualities, _ = unpack_values(values)
        yield unpack_instants(hour * HOUR, times), floats, qualities
    rows = db.execute(_OPEN_ROWS, asked).fetchall()
    yield ([t for t, _, _ in rows],
           # A NaN is kept as bytes: see ``writing.plain_value``.
           [nan if isinstance(v, bytes) else v for _, v, _ in rows], [q for _, _, q in rows])


def _counting(vectors: _Vectors) -> tuple[list[int], list[float]]:
    rows = [(t, v) for t, v, q in zip(*vectors, strict=True) if v is not None and counts(v, q)]
    return [t for t, _ in rows], [v for _, v in rows]
