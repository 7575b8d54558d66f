"""Cursors of consumers, commits after a cursor, and searches for events and deliveries.

Every consumer reads all commits in their order, at its own pace, across packing.
"""

from __future__ import annotations

import logging
import sqlite3
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

from collector.domain.deliveries import Delivery, DeliveryState
from collector.domain.errors import JournalError
from collector.domain.events import event_from_json
from collector.domain.readings import Reading
from collector.journal.history import HourCache, Row
from collector.journal.packing import get_state
from collector.journal.records import Commit, Gap, StoredEvent

__all__ = [
    "after",
    "find_events",
    "gaps_after",
    "move",
    "position",
    "positions",
    "recent_deliveries",
    "stored_events",
]

_log = logging.getLogger(__name__)

Translate = Callable[[Row], Reading]


def position(db: sqlite3.Connection, consumer: str) -> int:
    """Return the number of the last commit settled, 0 when there is none."""
    row = db.execute("SELECT position FROM consumers WHERE name = ?", (consumer,)).fetchone()
    return 0 if row is None else int(row[0])


def positions(db: sqlite3.Connection) -> dict[str, int]:
    """Return the position of every consumer known."""
    return dict(db.execute("SELECT name, position FROM consumers ORDER BY name").fetchall())


def move(db: sqlite3.Connection, consumer: str, to: int) -> None:
    """Advance a cursor; it never goes back. Raises ``JournalError`` past the last commit."""
    last = get_state(db, "last_commit")
    if to > last:
        raise JournalError(f"{consumer} cannot settle commit {to}: the last one is {last}")
    db.execute(
        "INSERT INTO consumers VALUES (?, ?) ON CONFLICT (name) "
        "DO UPDATE SET position = max(position, excluded.position)", (consumer, to),
    )


def stored_events(rows: Iterable[Sequence[Any]], damaged: set[int]) -> Iterator[StoredEvent]:
    """Read rows of ``seq, commit_no, body``; the numbers of damaged ones go to ``damaged``."""
    for seq, commit, body in rows:
        try:
            event = event_from_json(body)
        except (ValueError, TypeError, KeyError, IndexError, AttributeError) as error:
            if seq not in damaged:
                _log.error("event %d of the journal is damaged: %r", seq, error)
            damaged.add(seq)
        else:
            yield StoredEvent(seq=seq, commit=commit, event=event)


def gaps_after(db: sqlite3.Connection, number: int) -> list[Gap]:
    """Return the gaps that reach beyond a commit, oldest first."""
    return [
        Gap(first=first, last=last, start=start, end=end, readings=readings, events=events)
        for first, last, start, end, readings, events in db.execute(
            'SELECT first, last, start, "end", readings, events FROM gaps WHERE last > ? '
            "ORDER BY last, id", (number,),
        )
    ]


def _joined(one: Gap | None, other: Gap) -> Gap:
    if one is None:
        return other
    return Gap(
        first=min(one.first, other.first), last=max(one.last, other.last),
        start=min(one.start, other.start), end=max(one.end, other.end),
        readings=one.readings + other.readings, events=one.events + other.events,
    )


def after(
    db: sqlite3.Connection, number: int, limit: int, cache: HourCache, translate: Translate,
    damaged: set[int],
) -> list[Commit]:
    """Return up to ``limit`` commits after ``number``, in order, those without content left out."""
    if limit < 1:
        raise ValueError(f"limit must be at least 1, got {limit}")
    packed = _packed(db, number, limit, cache)
    gaps: dict[int, Gap] = {}
    for gap in gaps_after(db, number):
        gaps[gap.last] = _joined(gaps.get(gap.last), gap)
    numbers = set(packed) | set(gaps)
    for table in ("readings", "events"):
        numbers.update(n for (n,) in db.execute(
            f"SELECT DISTINCT commit_no FROM {table} WHERE commit_no > ? "
            "ORDER BY commit_no LIMIT ?", (number, limit),
        ))
    chosen = sorted(numbers)[:limit]
    if not chosen:
        return []
    rows: dict[int, list[Row]] = defaultdict(list, {n: packed.get(n, []) for n in chosen})
    for row in db.execute(
        "SELECT time, series, value, quality, why, latency, commit_no FROM readings "
        "WHERE commit_no > ? AND commit_no <= ?", (number, chosen[-1]),
    ):
        rows[row[-1]].append(Row.stored(row))
    events: dict[int, list[StoredEvent]] = defaultdict(list)
    for found in stored_events(db.execute(
        "SELECT seq, commit_no, body FROM events WHERE commit_no > ? AND commit_no <= ? "
        "ORDER BY seq", (number, chosen[-1]),
    ), damaged):
        events[found.commit].append(found)
    return [
        Commit(
            number=n, readings=tuple(translate(r) for r in sorted(rows[n], key=_order)),
            events=tuple(events[n]), gap=gaps.get(n),
        )
        for n in chosen
    ]


def _order(row: Row) -> tuple[int, int]:
    return row.time, row.series


def _packed(
    db: sqlite3.Connection, number: int, limit: int, cache: HourCache,
) -> dict[int, list[Row]]:
    """Return packed rows by commit: complete for the first ``limit`` commits that have any."""
    hours = db.execute(
        "SELECT hour, min(first_commit) FROM packed_times WHERE last_commit > ? "
        "GROUP BY hour ORDER BY min(first_commit)", (number,),
    ).fetchall()
    found: dict[int, list[Row]] = defaultdict(list)
    for hour, first in hours:
        # Hours overlap where late readings were merged: go on while one may hold a lower number.
        if sum(1 for n in found if n < first) >= limit:
            break
        for row in cache.rows(db, hour):
            if row.commit > number:
                found[row.commit].append(row)
    return found


def find_events(
    db: sqlite3.Connection, *, kinds: Sequence[str], without: Sequence[str],
    holding: Sequence[str], exactly: Sequence[str] = (), start: int | None, end: int | None,
    limit: int, damaged: set[int],
) -> list[StoredEvent]:
    """Return up to ``limit`` events, newest first, whose line of JSON contains every text given.

    Without ``kinds`` all kinds are searched but those of ``without``. ``holding`` ignores the case
    of ASCII letters; ``exactly`` does not, and is several times faster.
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
    return list(stored_events(rows, damaged))


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
