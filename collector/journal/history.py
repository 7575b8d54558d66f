"""Reads open rows and packed hours as one history.

A row here is ``(time, series, value, quality, why, latency, commit)`` with numbers for the series,
quality and reason. Each hour is read in one consistent view, so that packing it meanwhile neither
hides nor doubles a row.
"""

from __future__ import annotations

import sqlite3
import struct
import threading
from bisect import bisect_left
from collections import OrderedDict
from collections.abc import Collection, Iterator, Mapping, Sequence
from math import fsum, nan
from operator import itemgetter
from typing import Any, NamedTuple

from collector.domain.readings import Quality
from collector.domain.trends import TrendStep
from collector.domain.units import HOUR
from collector.journal.codec import unpack_instants, unpack_times, unpack_values

__all__ = [
    "GOOD", "HOUR", "HourCache", "QUALITIES", "Row", "counts", "hour_rows", "last_row",
    "next_hour", "numbers", "packed_series_rows", "span", "trend",
]

QUALITIES = tuple(Quality)
"""Qualities in the order of their stored codes."""

GOOD = QUALITIES.index(Quality.GOOD)

_ABSURD = 1e290
"""Sizes from here on are kept but not averaged: their sums would leave the range of a float."""


def counts(value: float | None, quality: int) -> bool:
    """Whether a row takes part in minimum, mean and maximum."""
    return quality == GOOD and value is not None and -_ABSURD < value < _ABSURD


class Row(NamedTuple):
    """One stored reading."""

    time: int
    series: int
    value: float | None
    quality: int
    why: int
    latency: int
    commit: int

    @classmethod
    def stored(cls, found: Sequence[Any]) -> Row:
        """Read a row of ``readings``, whose NaN is kept as bytes (see ``writing.plain_value``)."""
        row = cls(*found)
        if isinstance(row.value, bytes):
            return row._replace(value=struct.unpack("<d", row.value)[0])
        return row


def _order(row: Row) -> tuple[int, int, int]:
    return row.time, row.commit, row.series


_PACKED = (
    "SELECT p.series, t.id, t.data, v.data FROM series s CROSS JOIN packed_hours p "
    "ON p.series = s.id AND p.hour = :hour JOIN packed_times t ON t.id = p.times_id "
    "JOIN packed_values v ON v.id = p.values_id"
)
_OPEN = "SELECT time, series, value, quality, why, latency, commit_no FROM readings "


def _unpacked(db: sqlite3.Connection, hour: int, series: int | None) -> Iterator[Row]:
    where = " WHERE s.id = :series" if series is not None else ""
    seen: dict[int, tuple[list[int], list[int], list[int]]] = {}
    for number, times_id, times, values in db.execute(
        _PACKED + where, {"hour": hour, "series": series}
    ):
        if times_id not in seen:
            seen[times_id] = unpack_times(hour * HOUR, times)
        at, latencies, commits = seen[times_id]
        floats, qualities, whys = unpack_values(values)
        for time, value, quality, why, latency, commit in zip(
            at, floats, qualities, whys, latencies, commits, strict=True
        ):
            yield Row(time, number, value, quality, why, latency, commit)


def packed_series_rows(db: sqlite3.Connection, hour: int, series: int) -> list[Row]:
    """Return the packed rows of one series in one hour, in time order."""
    return list(_unpacked(db, hour, series))


def hour_rows(
    db: sqlite3.Connection, hour: int, series: Collection[int] | None = None,
) -> list[Row]:
    """Return every row of an hour, packed and open, in time order, then commit order."""
    start = hour * HOUR
    rows: list[Row] = []
    if series is None:
        rows.extend(_unpacked(db, hour, None))
        numbers = [n for (n,) in db.execute("SELECT id FROM series")]
    else:
        numbers = list(series)
        for number in numbers:
            rows.extend(_unpacked(db, hour, number))
    for number in numbers:
        rows.extend(Row.stored(row) for row in db.execute(
            _OPEN + "WHERE series = ? AND time >= ? AND time < ?", (number, start, start + HOUR)
        ))
    rows.sort(key=_order)
    return rows


def next_hour(db: sqlite3.Connection, hour: int) -> int | None:
    """Return the first hour from ``hour`` on that has rows of any series."""
    packed = db.execute(
        "SELECT min(hour) FROM packed_times WHERE hour >= ?", (hour,)
    ).fetchone()[0]
    first = db.execute(
        "SELECT min((SELECT min(time) FROM readings r WHERE r.series = s.id AND r.time >= ?)) "
        "FROM series s", (hour * HOUR,),
    ).fetchone()[0]
    found = [h for h in (packed, None if first is None else first // HOUR) if h is not None]
    return min(found, default=None)


def span(db: sqlite3.Connection) -> tuple[int, int] | None:
    """Return the first and the last instant (ms) that has a reading."""
    first = next_hour(db, -(1 << 40))
    if first is None:
        return None
    last = db.execute("SELECT max(hour) FROM packed_times").fetchone()[0]
    newest = db.execute(
        "SELECT max((SELECT max(time) FROM readings r WHERE r.series = s.id)) FROM series s"
    ).fetchone()[0]
    hours = [h for h in (last, None if newest is None else newest // HOUR) if h is not None]
    return hour_rows(db, first)[0].time, hour_rows(db, max(hours))[-1].time


def last_row(db: sqlite3.Connection, series: int) -> Row | None:
    """Return the newest row of a series."""
    row = db.execute(
        _OPEN + "WHERE series = ? ORDER BY time DESC LIMIT 1", (series,)
    ).fetchone()
    newest = None if row is None else Row.stored(row)
    hour = db.execute(
        "SELECT max(hour) FROM packed_hours WHERE series = ?", (series,)
    ).fetchone()[0]
    if hour is None or (newest is not None and newest.time // HOUR > hour):
        return newest
    packed = packed_series_rows(db, hour, series)[-1]
    return packed if newest is None or packed.time > newest.time else newest


class HourCache:
    """Keeps the last few hours unpacked: a consumer that catches up reads each several times."""

    def __init__(self, size: int = 3) -> None:
        self._size = size
        self._hours: OrderedDict[tuple[int, int, int], list[Row]] = OrderedDict()
        self._lock = threading.Lock()

    def rows(self, db: sqlite3.Connection, hour: int) -> list[Row]:
        """Return the packed rows of an hour. Blocks are never changed, only replaced."""
        newest, count = db.execute(
            "SELECT max(id), count(*) FROM packed_times WHERE hour = ?", (hour,)
        ).fetchone()
        key = (hour, newest, count)
        with self._lock:
            found = self._hours.get(key)
        if found is None:
            found = list(_unpacked(db, hour, None))
            with self._lock:
                self._hours[key] = found
                while len(self._hours) > self._size:
                    self._hours.popitem(last=False)
        return found


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
