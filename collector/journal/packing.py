"""Packing of closed hours into blocks with aggregates; late rows are merged into them."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from itertools import groupby
from math import fsum

from collector.journal.codec import pack_times, pack_values
from collector.journal.history import HOUR, Row, counts, packed_series_rows
from collector.journal.records import PackResult

__all__ = ["add_state", "delete_packed", "first_open", "get_state", "pack_hour", "write_hour"]

ROW_OVERHEAD = 60
"""Bytes of one ``packed_hours`` row and its block's row header, measured; used in statistics."""

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
    for number in series:
        db.execute(
            "DELETE FROM readings WHERE series = ? AND time >= ? AND time < ?",
            (number, start, end),
        )
    return PackResult(hours=1, readings=len(rows), bytes=result.bytes)
