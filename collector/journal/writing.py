"""Writing of one commit inside the caller's transaction: names, readings, events."""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Mapping, Sequence

from collector.domain.events import AlarmTransition, EstimateMade, Event, event_to_json
from collector.domain.readings import Reading
from collector.journal.history import HOUR, QUALITIES, Row, packed_series_rows

__all__ = [
    "Names", "insert_events", "insert_rows", "keep_meta", "kind_of", "plain_value", "rows_of",
]

_CODES = {quality: code for code, quality in enumerate(QUALITIES)}
_INSERT = (
    "INSERT OR IGNORE INTO readings (time, series, value, quality, why, latency, commit_no) "
    "VALUES (?, ?, ?, ?, ?, ?, ?)"
)


class Names:
    """A dictionary of texts kept in a table: ``series.point`` or ``whys.text``."""

    def __init__(self, table: str, column: str) -> None:
        self._table = table
        self._find = f"SELECT id FROM {table} WHERE {column} = ?"
        self._add = f"INSERT INTO {table} ({column}) VALUES (?)"
        self._all = f"SELECT {column}, id FROM {table} ORDER BY id"
        self._one = f"SELECT {column} FROM {table} WHERE id = ?"
        self._known: dict[str, int] = {}
        self._texts: dict[int, str] = {}

    def __repr__(self) -> str:
        return f"Names({self._table}, {len(self._known)} known)"

    def forget(self) -> None:
        """Clear the cache, after a transaction that added names was undone."""
        self._known = {}

    def number(self, db: sqlite3.Connection, text: str) -> int:
        """Return the number of a text, adding it when it is new."""
        known = self._known.get(text)
        if known is not None:
            return known
        row = db.execute(self._find, (text,)).fetchone()
        number = int(row[0]) if row else int(db.execute(self._add, (text,)).lastrowid or 0)
        self._known[text] = number
        return number

    def text(self, db: sqlite3.Connection, number: int) -> str:
        """Return the text of a committed number."""
        known = self._texts.get(number)
        if known is None:
            known = self._texts[number] = str(db.execute(self._one, (number,)).fetchone()[0])
        return known

    def all(self, db: sqlite3.Connection) -> dict[str, int]:
        """Return every text with its number, oldest first."""
        return dict(db.execute(self._all).fetchall())


def plain_value(value: float | None) -> float | bytes | None:
    """Return a form of the value that SQLite keeps unchanged: it would turn NaN into NULL."""
    if value is None or value == value:
        return value
    return struct.pack("<d", value)


def rows_of(
    db: sqlite3.Connection, readings: Sequence[Reading], commit: int, series: Names, whys: Names,
) -> list[Row]:
    """Return the rows of readings. A negative zero loses its sign, as it does in SQLite."""
    return [
        Row(
            r.time, series.number(db, r.point),
            None if r.value is None else float(r.value) + 0.0,
            _CODES[r.quality], whys.number(db, r.why), r.time - r.asked, commit,
        )
        for r in readings
    ]


def insert_rows(db: sqlite3.Connection, rows: Sequence[Row], packed_until: int) -> int:
    """Insert rows; return how many were new.

    A row that is there already, the same in all but its commit, is left out. A different one at
    the same time of the same series is kept 1 ms later. ``packed_until`` is the first instant
    that no packed hour can hold.
    """
    if not rows:
        return 0
    if min(row.time for row in rows) >= packed_until:
        db.execute("SAVEPOINT quick")
        before = db.total_changes
        db.executemany(_INSERT, [
            (r.time, r.series, plain_value(r.value), *r[3:]) for r in rows
        ])
        if db.total_changes - before == len(rows):
            db.execute("RELEASE quick")
            return len(rows)
        db.execute("ROLLBACK TO quick")
        db.execute("RELEASE quick")
    packed: dict[tuple[int, int], dict[int, Row]] = {}
    return sum(_insert_one(db, row, packed) for row in rows)


def _insert_one(
    db: sqlite3.Connection, row: Row, packed: dict[tuple[int, int], dict[int, Row]],
) -> bool:
    while True:
        there = _taken(db, row, packed)
        if there is None:
            db.execute(_INSERT, (row.time, row.series, plain_value(row.value), *row[3:]))
            return True
        # As text, so that a NaN is like itself.
        if repr(there[1:6]) == repr(row[1:6]):
            return False
        row = row._replace(time=row.time + 1)


def _taken(
    db: sqlite3.Connection, row: Row, packed: dict[tuple[int, int], dict[int, Row]],
) -> Row | None:
    key = (row.series, row.time // HOUR)
    if key not in packed:
        packed[key] = {r.time: r for r in packed_series_rows(db, key[1], row.series)}
    there = packed[key].get(row.time)
    if there is not None:
        return there
    found = db.execute(
        "SELECT time, series, value, quality, why, latency, commit_no FROM readings "
        "WHERE series = ? AND time = ?", (row.series, row.time),
    ).fetchone()
    return None if found is None else Row.stored(found)


def kind_of(event: Event) -> str:
    """Return the ``kind`` that the event's line of JSON has."""
    match event:
        case AlarmTransition():
            return "alarm"
        case EstimateMade():
            return "estimate"
        case _:
            return event.fact


def insert_events(db: sqlite3.Connection, events: Sequence[Event], commit: int) -> None:
    """Insert events in their order."""
    db.executemany(
        "INSERT INTO events (commit_no, time, kind, body) VALUES (?, ?, ?, ?)",
        [(commit, e.time, kind_of(e), event_to_json(e)) for e in events],
    )


def keep_meta(db: sqlite3.Connection, meta: Mapping[str, str]) -> None:
    """Keep each value under its key, in place of what was there."""
    db.executemany(
        "INSERT INTO meta VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        list(meta.items()),
    )
