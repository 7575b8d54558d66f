"""Finding events and deliveries again: newest first, a page at a time, without reading them all."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from collector.domain.deliveries import Delivery, DeliveryState
from collector.journal.consumers import stored_event
from collector.journal.facts import StoredEvent

__all__ = ["find_events", "recent_deliveries"]


def find_events(
    db: sqlite3.Connection, *, kinds: Sequence[str], without: Sequence[str],
    holding: Sequence[str], exactly: Sequence[str] = (), start: int | None, end: int | None,
    limit: int,
) -> list[StoredEvent]:
    """Return up to ``limit`` events, newest first, whose line of JSON holds every text given.

    ``kinds`` none are all but those ``without``. Upper and lower case are alike (of ASCII), but in
    what it must hold ``exactly``, which is found several times faster.
    """
    where, values = ["1"], list[object]()
    for column, sign, bound in (("time", ">=", start), ("time", "<", end)):
        if bound is not None:
            where.append(f"{column} {sign} ?")
            values.append(bound)
    for words, negation in ((kinds, ""), (without, "NOT ")):
        if words:
            where.append(f"kind {negation}IN ({', '.join('?' * len(words))})")
            values.extend(words)
    for text in holding:
        where.append("body LIKE ? ESCAPE '\\'")
        values.append(f"%{_plain(text)}%")
    for text in exactly:
        where.append("instr(body, ?)")
        values.append(text)
    rows = db.execute(
        f"SELECT seq, commit_no, body FROM events WHERE {' AND '.join(where)} "
        "ORDER BY time DESC, seq DESC LIMIT ?", (*values, limit)).fetchall()
    return list(map(stored_event, rows))


def _plain(text: str) -> str:
    for sign in "\\%_":
        text = text.replace(sign, f"\\{sign}")
    return text


def recent_deliveries(db: sqlite3.Connection, limit: int) -> list[Delivery]:
    """Return the deliveries written last, newest first, without their bodies."""
    rows = db.execute(
        "SELECT id, recipient, subject, event_seq, created, due, kind, attempts, uncertain, state, "
        "detail FROM deliveries ORDER BY id DESC LIMIT ?", (limit,))
    return [
        Delivery(id=i, recipient=r, subject=s, body="", event_seq=e, created=c, due=d, kind=k,
                 attempts=a, uncertain=bool(u), state=DeliveryState(t), detail=x)
        for i, r, s, e, c, d, k, a, u, t, x in rows
    ]
