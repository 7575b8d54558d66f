"""Writing of one commit inside the caller's transaction: names, readings, events."""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Callable, Mapping, Sequence

from collector.domain.errors import JournalError
from collector.domain.events import AlarmTransition, EstimateMade, Event, event_to_json
from collector.domain.messages import Delivery, DeliveryOutcome, DeliveryState, NewDelivery
from collector.domain.readings import Reading
from collector.journal.history import (
    HOUR,
    QUALITIES,
    Row,
    add_state,
    get_state,
    packed_series_rows,
)
from collector.journal.lock import Mark

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


def insert_events(db: sqlite3.Connection, events: Sequence[Event], commit: int) -> int:
    """Insert events in their order; return the number of the last one, 0 for none."""
    last = 0
    for e in events:
        last = db.execute(
            "INSERT INTO events (commit_no, time, kind, body) VALUES (?, ?, ?, ?)",
            (commit, e.time, kind_of(e), event_to_json(e)),
        ).lastrowid or 0
    return last


def mark_of(db: sqlite3.Connection) -> Mark:
    """Return the last commit that the file holds."""
    event = db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'events'").fetchone()
    time = db.execute("SELECT max(time) FROM events").fetchone()[0]
    tick = db.execute("SELECT value FROM meta WHERE key = 'tick'").fetchone()
    at = int(tick[0]) if tick and str(tick[0]).isdecimal() else 0
    return Mark(get_state(db, "last_commit"), int(event[0]) if event else 0,
                get_state(db, "readings_written"), max(at, time or 0))


def number_after(db: sqlite3.Connection, noted: Mark, last: int) -> None:
    """Let commits and events be numbered after those that are missing."""
    add_state(db, "last_commit", noted.commit - last)
    add_state(db, "readings_written", noted.readings - get_state(db, "readings_written"))
    if not db.execute("UPDATE sqlite_sequence SET seq = max(seq, ?) WHERE name = 'events'",
                      (noted.event,)).rowcount:
        db.execute("INSERT INTO sqlite_sequence VALUES ('events', ?)", (noted.event,))


def keep_meta(db: sqlite3.Connection, meta: Mapping[str, str]) -> None:
    """Keep each value under its key, in place of what was there."""
    db.executemany(
        "INSERT INTO meta VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        list(meta.items()),
    )


_NAMED = 200
"""Messages of which a summary may look at what they say."""
_COLUMNS = (
    "id, recipient, subject, body, event_seq, created, due, kind, attempts, uncertain, state, "
    "detail"
)
_AFTER = {
    DeliveryOutcome.DELIVERED: DeliveryState.DELIVERED,
    DeliveryOutcome.RETRY: DeliveryState.WAITING,
    DeliveryOutcome.REPEAT: DeliveryState.WAITING,
    DeliveryOutcome.UNCERTAIN: DeliveryState.UNCERTAIN,
    DeliveryOutcome.GIVEN_UP: DeliveryState.GIVEN_UP,
}


def _delivery(row: Sequence[object]) -> Delivery:
    fields = dict(zip(Delivery.__dataclass_fields__, row, strict=True))
    fields["uncertain"] = bool(fields["uncertain"])
    fields["state"] = DeliveryState(str(fields["state"]))
    return Delivery(**fields)  # type: ignore[arg-type]


def enqueue(db: sqlite3.Connection, deliveries: Sequence[NewDelivery]) -> None:
    """Add deliveries; one that is there (recipient, event and kind) is not added again."""
    db.executemany(
        "INSERT INTO deliveries (recipient, event_seq, kind, subject, body, created, due, changed) "
        "VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?6, ?6) ON CONFLICT (recipient, event_seq, kind) "
        "DO NOTHING",
        [(d.recipient, d.event_seq, d.kind, d.subject, d.body, d.due) for d in deliveries],
    )


def due_deliveries(db: sqlite3.Connection, now: int, limit: int) -> list[Delivery]:
    """Return waiting deliveries whose time has come, oldest first."""
    return [_delivery(row) for row in db.execute(
        f"SELECT {_COLUMNS} FROM deliveries WHERE state = 'waiting' AND due <= ? "
        "ORDER BY due, id LIMIT ?", (now, limit),
    )]


def crowded(db: sqlite3.Connection, now: int, most: int) -> list[str]:
    """Return the recipients for whom more than ``most`` messages are due."""
    return [who for (who,) in db.execute(
        "SELECT recipient FROM deliveries WHERE state = 'waiting' AND due <= ? "
        "GROUP BY recipient HAVING count(*) > ?", (now, most),
    )]


def fold(
    db: sqlite3.Connection, recipient: str, keep: int, now: int,
    summary: Callable[[Sequence[Delivery], int], NewDelivery],
) -> int:
    """Let one message stand for all that wait for a recipient but the ``keep`` newest alarms.

    ``summary`` makes it from the newest messages left out and their number. Returns this number.
    """
    kept = [n for (n,) in db.execute(
        "SELECT id FROM deliveries WHERE state = 'waiting' AND recipient = ? AND due <= ? "
        "ORDER BY kind LIKE 'raised%' OR kind LIKE 'escalated%' OR kind LIKE 'repeated%' DESC, "
        "id DESC LIMIT ?", (recipient, now, keep))]
    where = ("state = 'waiting' AND recipient = ? AND due <= ? AND kind NOT LIKE 'report:%' "
             f"AND id NOT IN ({', '.join('?' * len(kept))})")
    newest = [_delivery(row) for row in db.execute(
        f"SELECT {_COLUMNS} FROM deliveries WHERE {where} ORDER BY id DESC LIMIT ?",
        (recipient, now, *kept, _NAMED))]
    if not newest:
        return 0
    done = db.execute(
        f"UPDATE deliveries SET state = 'folded', changed = ? WHERE {where}",
        (now, recipient, now, *kept)).rowcount
    enqueue(db, [summary(newest, done)])
    return done


def begin(db: sqlite3.Connection, number: int, now: int) -> None:
    """Record that an attempt begins. Raises ``JournalError`` unless it was waiting."""
    _move(db, number, DeliveryState.WAITING, "state = 'begun', changed = ?", (now,))


def finish(
    db: sqlite3.Connection, number: int, outcome: DeliveryOutcome, now: int, *,
    retry_at: int | None, detail: str,
) -> None:
    """Record the outcome of an attempt. Raises ``JournalError`` unless it was begun."""
    _move(
        db, number, DeliveryState.BEGUN,
        "state = ?, changed = ?, due = coalesce(?, due), detail = ?, attempts = attempts + ?, "
        "uncertain = max(uncertain, ?)",
        (_AFTER[outcome].value, now, retry_at, detail,
         int(outcome is not DeliveryOutcome.DELIVERED), int(outcome is DeliveryOutcome.REPEAT)),
    )


def _move(
    db: sqlite3.Connection, number: int, state: DeliveryState, change: str,
    values: tuple[object, ...],
) -> None:
    done = db.execute(
        f"UPDATE deliveries SET {change} WHERE id = ? AND state = ?",
        (*values, number, state.value),
    )
    if done.rowcount != 1:
        raise JournalError(f"delivery {number} is not {state.value}")


def recover(db: sqlite3.Connection, now: int) -> list[Delivery]:
    """Queue attempts that never ended again; return those closed as it was the second time.

    To be called once at the start, before any attempt begins.
    """
    closed = [row[0] for row in db.execute(
        "UPDATE deliveries SET state = 'uncertain', changed = ? "
        "WHERE state = 'begun' AND uncertain RETURNING id", (now,),
    ).fetchall()]
    db.execute(
        "UPDATE deliveries SET state = 'waiting', uncertain = 1, due = ?1, changed = ?1 "
        "WHERE state = 'begun'", (now,),
    )
    return [
        _delivery(db.execute(f"SELECT {_COLUMNS} FROM deliveries WHERE id = ?", (n,)).fetchone())
        for n in sorted(closed)
    ]


def by_state(db: sqlite3.Connection) -> dict[str, int]:
    """Return the number of deliveries in each state."""
    found = dict(db.execute("SELECT state, count(*) FROM deliveries GROUP BY state").fetchall())
    return {state.value: found.get(state.value, 0) for state in DeliveryState}
