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
from collections.abc import Collection, Iterator, Mapping, Sequence
from itertools import groupby
from math import fsum
from typing import Any, NamedTuple

from collector.domain.readings import Quality
from collector.domain.units import HOUR
from collector.journal.codec import pack_times, pack_values, unpack_times, unpack_values
from collector.journal.records import PackResult

__all__ = [
    "GOOD", "HOUR", "HourCache", "QUALITIES", "Row", "add_state", "counts", "delete_packed",
    "first_open", "get_state", "hour_rows", "last_row", "next_hour", "pack_hour",
    "packed_series_rows", "span", "write_hour",
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


ROW_OVERHEAD = 60
"""Bytes of one ``packed_hours`` row and its block's row header, measured; used in statistics."""

REASON = "reason"
"""Key, with a reason's number, of the last packed hour that has a reading with it."""

Aggregates = tuple[int, int, float | None, float | None, float | None]
_Vectors = tuple[tuple[int, ...], tuple[int, ...], tuple[int, ...]]


def get_state(db: sqlite3.Connection, key: str) -> int:
    """Return one of the journal's counters; 0 when it was never set."""
    row = db.execute("SELECT value FROM state WHERE key = ?", (key,)).fetchone()
    return 0 if row is None else int(row[0])


def add_state(db: sqlite3.Connection, key: str, amount: int) -> None:
    """Add to a counter of the journal's own."""
    db.execute(
        "INSERT INTO state VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE SET value = value + ?2",
        (key, amount),
    )


def first_open(db: sqlite3.Connection, hour: int) -> int | None:
    """Return the first hour from ``hour`` on that has open rows."""
    first = db.execute(
        "SELECT min((SELECT min(time) FROM readings r WHERE r.series = s.id AND r.time >= ?)) "
        "FROM series s", (hour * HOUR,),
    ).fetchone()[0]
    return None if first is None else int(first) // HOUR


def _aggregate(rows: Sequence[Row]) -> Aggregates:
    good = [r.value for r in rows if r.value is not None and counts(r.value, r.quality)]
    if not good:
        return len(rows), 0, None, None, None
    return len(rows), len(good), min(good), fsum(good) / len(good), max(good)


def write_hour(
    db: sqlite3.Connection, hour: int, series: Mapping[int, Sequence[Row]],
) -> PackResult:
    """Store the rows of each series, in time order, as the blocks of an hour that has none yet."""
    shared: dict[_Vectors, int] = {}
    size = rows_stored = 0
    for number, rows in series.items():
        times, _, values, qualities, whys, latencies, commits = zip(*rows, strict=True)
        vectors: _Vectors = (times, latencies, commits)
        times_id = shared.get(vectors)
        if times_id is None:
            block = pack_times(hour * HOUR, times, latencies, commits)
            times_id = shared[vectors] = _insert(
                db, "INSERT INTO packed_times (hour, first_commit, last_commit, data) "
                "VALUES (?, ?, ?, ?)", (hour, min(commits), max(commits), block),
            )
            size += len(block) + ROW_OVERHEAD
        block = pack_values(values, qualities, whys)
        values_id = _insert(db, "INSERT INTO packed_values (data) VALUES (?)", (block,))
        db.execute(
            "INSERT INTO packed_hours VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (number, hour, *_aggregate(rows), times_id, values_id),
        )
        size += len(block) + ROW_OVERHEAD
        rows_stored += len(rows)
    add_state(db, "packed_readings", rows_stored)
    add_state(db, "packed_bytes", size)
    return PackResult(hours=1, readings=rows_stored, bytes=size)


def _insert(db: sqlite3.Connection, statement: str, values: tuple[object, ...]) -> int:
    number = db.execute(statement, values).lastrowid
    assert number is not None
    return number


def delete_packed(db: sqlite3.Connection, hour: int, series: Sequence[int]) -> int:
    """Delete the blocks of some series in one hour; return how many readings they held."""
    readings = size = 0
    for number in series:
        found = db.execute(
            "SELECT p.count_all, p.values_id, length(v.data) FROM packed_hours p "
            "JOIN packed_values v ON v.id = p.values_id WHERE p.series = ? AND p.hour = ?",
            (number, hour),
        ).fetchone()
        if found is None:
            continue
        readings += found[0]
        size += found[2] + ROW_OVERHEAD
        db.execute("DELETE FROM packed_values WHERE id = ?", (found[1],))
        db.execute("DELETE FROM packed_hours WHERE series = ? AND hour = ?", (number, hour))
    used = {
        times_id for (times_id,) in db.execute(
            "SELECT p.times_id FROM series s CROSS JOIN packed_hours p "
            "ON p.series = s.id AND p.hour = ?", (hour,),
        )
    }
    for times_id, length in db.execute(
        "SELECT id, length(data) FROM packed_times WHERE hour = ?", (hour,)
    ).fetchall():
        if times_id not in used:
            db.execute("DELETE FROM packed_times WHERE id = ?", (times_id,))
            size += length + ROW_OVERHEAD
    add_state(db, "packed_readings", -readings)
    add_state(db, "packed_bytes", -size)
    return readings


def pack_hour(db: sqlite3.Connection, hour: int) -> PackResult:
    """Move the open rows of an hour into its blocks, merging with those it has.

    Runs inside the caller's transaction. ``readings`` counts the rows moved.
    """
    start, end = hour * HOUR, (hour + 1) * HOUR
    rows = [Row.stored(row) for row in db.execute(
        "SELECT r.time, r.series, r.value, r.quality, r.why, r.latency, r.commit_no "
        "FROM series s CROSS JOIN readings r ON r.series = s.id AND r.time >= ? AND r.time < ? "
        "ORDER BY r.series, r.time", (start, end),
    )]
    series = {number: list(group) for number, group in groupby(rows, key=lambda r: r.series)}
    for number, fresh in series.items():
        # The commit made sure that no two rows of a series have the same time, packed or open.
        merged = sorted(
            [*packed_series_rows(db, hour, number), *fresh], key=lambda r: r.time
        )
        series[number] = merged
    if db.execute("SELECT 1 FROM packed_times WHERE hour = ?", (hour,)).fetchone():
        delete_packed(db, hour, list(series))
    result = write_hour(db, hour, series)
    # By this retention knows which reasons no reading has any more, without unpacking all.
    db.executemany(
        "INSERT INTO state VALUES (?1, ?2) ON CONFLICT (key) DO UPDATE "
        "SET value = max(value, excluded.value)",
        [(f"{REASON} {why}", hour) for why in {r.why for rs in series.values() for r in rs}])
    for number in series:
        db.execute(
            "DELETE FROM readings WHERE series = ? AND time >= ? AND time < ?",
            (number, start, end),
        )
    return PackResult(hours=1, readings=len(rows), bytes=result.bytes)
