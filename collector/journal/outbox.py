"""Queued messages: none is lost, and a delivered one is sent twice at most.

An attempt is recorded before anything is sent. A message whose attempt a crash cut off may have
arrived: it is sent once more, marked uncertain; cut off again, it is closed as uncertain.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from collector.domain.deliveries import Delivery, DeliveryOutcome, DeliveryState, NewDelivery
from collector.domain.errors import JournalError

__all__ = ["begin", "by_state", "due_deliveries", "enqueue", "finish", "recover"]

_COLUMNS = (
    "id, recipient, subject, body, event_seq, created, due, kind, attempts, uncertain, state, "
    "detail"
)
_AFTER = {
    DeliveryOutcome.DELIVERED: DeliveryState.DELIVERED,
    DeliveryOutcome.RETRY: DeliveryState.WAITING,
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
        "state = ?, changed = ?, due = coalesce(?, due), detail = ?, attempts = attempts + ?",
        (_AFTER[outcome].value, now, retry_at if outcome is DeliveryOutcome.RETRY else None,
         detail, int(outcome is not DeliveryOutcome.DELIVERED)),
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
