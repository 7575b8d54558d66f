"""Reads open rows and packed hours as one history.

A row here is ``(time, series, value, quality, why, latency, commit)`` with numbers for the series,
quality and reason. Each hour is read in one consistent view, so that packing it meanwhile neither
hides nor doubles a row.
"""

from __future__ import annotations

import sqlite3
import struct
import threading
from collections import OrderedDict
from collections.abc import Collection, Iterator, Sequence
from typing import Any, NamedTuple

from collector.domain.readings import Quality
from collector.domain.units import HOUR
from collector.journal.codec import unpack_times, unpack_values

__all__ = [
    "GOOD", "HOUR", "QUALITIES", "HourCache", "Row", "counts", "hour_rows", "last_row",
    "next_hour", "packed_series_rows", "span",
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
