"""Deletion of old hours: by age only what every consumer has settled, by size the oldest.

Alarm events are never deleted: they are the record that owners, insurers and authorities read, and
the live alarms are rebuilt from them. Other events and closed deliveries go with their time.
"""

from __future__ import annotations

import sqlite3

from collector.journal.history import HOUR, REASON, delete_packed, get_state, hour_rows, next_hour
from collector.journal.queries import positions
from collector.journal.records import Gap, RetainResult

EARLIEST = -(1 << 40)
"""An hour before any."""

_BATCH = 100
"""Hours per transaction: commits wait while one runs."""


def settled_by_all(db: sqlite3.Connection) -> int:
    """Return the last commit that every consumer has settled."""
    return min(positions(db).values(), default=get_state(db, "last_commit"))


def slow_consumers(db: sqlite3.Connection) -> tuple[str, ...]:
    """Return the consumers that have not settled everything."""
    last = get_state(db, "last_commit")
    return tuple(name for name, at in positions(db).items() if at < last)


def _unsettled(db: sqlite3.Connection, hour: int, settled: int) -> bool:
    packed = db.execute(
        "SELECT 1 FROM packed_times WHERE hour = ? AND last_commit > ? LIMIT 1", (hour, settled)
    ).fetchone()
    return packed is not None or db.execute(
        "SELECT 1 FROM series s CROSS JOIN readings r ON r.series = s.id AND r.time >= ? "
        "AND r.time < ? AND r.commit_no > ? LIMIT 1", (hour * HOUR, (hour + 1) * HOUR, settled),
    ).fetchone() is not None


def _delete_hour(db: sqlite3.Connection, hour: int) -> int:
    """Delete an hour, packed and open; return how many readings it held."""
    numbers = [n for (n,) in db.execute("SELECT id FROM series")]
    readings = delete_packed(db, hour, numbers)
    for number in numbers:
        readings += db.execute(
            "DELETE FROM readings WHERE series = ? AND time >= ? AND time < ?",
            (number, hour * HOUR, (hour + 1) * HOUR),
        ).rowcount
    return readings


def by_age(db: sqlite3.Connection, oldest: int, hour: int, counts: RetainResult) -> int | None:
    """Delete settled hours that ended by ``oldest`` (ms), a batch of them from ``hour`` on.

    Returns the hour to go on with in another transaction, or ``None`` at the end.
    """
    settled = settled_by_all(db)
    for _ in range(_BATCH):
        found = next_hour(db, hour)
        if found is None or (found + 1) * HOUR > oldest:
            return None
        if _unsettled(db, found, settled):
            counts.held += 1
        else:
            counts.readings += _delete_hour(db, found)
            counts.hours += 1
        hour = found + 1
    return hour


def _used(db: sqlite3.Connection) -> int:
    pages, free, size = (
        db.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("page_count", "freelist_count", "page_size")
    )
    return int((pages - free) * size)


def by_size(db: sqlite3.Connection, max_bytes: int, counts: RetainResult) -> bool:
    """Delete the oldest hours, settled or not, until the rest fits; never the newest hour.

    What was not settled is recorded as a gap. Returns whether there is more to do in another
    transaction.
    """
    settled = settled_by_all(db)
    gap: Gap | None = None
    for _ in range(_BATCH):
        hour = next_hour(db, EARLIEST)
        if _used(db) <= max_bytes or hour is None or next_hour(db, hour + 1) is None:
            break
        if _unsettled(db, hour, settled):
            gap = _widened(gap, db, hour, settled)
        counts.readings += _delete_hour(db, hour)
        counts.hours += 1
        delete_facts(db, (hour + 1) * HOUR, counts)
    else:
        _write_gap(db, gap, counts)
        return True
    _write_gap(db, gap, counts)
    return False


def _widened(gap: Gap | None, db: sqlite3.Connection, hour: int, settled: int) -> Gap:
    commits = [row.commit for row in hour_rows(db, hour) if row.commit > settled]
    first, last, start, end, readings = (
        min(commits), max(commits), hour * HOUR, (hour + 1) * HOUR, len(commits)
    )
    if gap is not None:
        first, last, start = min(first, gap.first), max(last, gap.last), min(start, gap.start)
        end, readings = max(end, gap.end), readings + gap.readings
    return Gap(first=first, last=last, start=start, end=end, readings=readings)


def _write_gap(db: sqlite3.Connection, gap: Gap | None, counts: RetainResult) -> None:
    if gap is None:
        return
    counts.gaps += (gap,)
    db.execute(
        'INSERT INTO gaps (first, last, start, "end", readings, events) '
        "VALUES (?, ?, ?, ?, ?, ?)",
        (gap.first, gap.last, gap.start, gap.end, gap.readings, gap.events),
    )


def delete_reasons(db: sqlite3.Connection) -> int:
    """Delete the texts of reasons that no reading has any more; return how many.

    One of an older journal, of which no last hour is known, is kept as long as any hour of today.
    """
    first = next_hour(db, EARLIEST)
    newest = db.execute("SELECT max(hour) FROM packed_times").fetchone()[0]
    if first is None or newest is None:
        return 0
    open_ones = {why for (why,) in db.execute("SELECT DISTINCT why FROM readings")}
    last = {int(key.split()[1]): hour for key, hour in db.execute(
        "SELECT key, value FROM state WHERE key LIKE ?", (f"{REASON} %",))}
    numbers = [n for (n,) in db.execute("SELECT id FROM whys WHERE text != '' ORDER BY id")]
    deleted = 0
    for number in numbers[:-1]:  # the last stays: its number would be given again
        if number in open_ones:
            continue
        if number not in last:
            db.execute("INSERT INTO state VALUES (?, ?)", (f"{REASON} {number}", newest))
        elif last[number] < first:
            db.execute("DELETE FROM whys WHERE id = ?", (number,))
            db.execute("DELETE FROM state WHERE key = ?", (f"{REASON} {number}",))
            deleted += 1
    return deleted


def delete_facts(db: sqlite3.Connection, oldest: int, counts: RetainResult) -> None:
    """Delete closed deliveries, read gaps and settled events before ``oldest``, but no alarms."""
    settled = settled_by_all(db)
    counts.events += db.execute(
        "DELETE FROM events WHERE time < ? AND kind != 'alarm' AND commit_no <= ?",
        (oldest, settled),
    ).rowcount
    counts.deliveries += db.execute(
        "DELETE FROM deliveries WHERE changed < ? AND state NOT IN ('waiting', 'begun')",
        (oldest,),
    ).rowcount
    db.execute('DELETE FROM gaps WHERE last <= ? AND "end" < ?', (settled, oldest))
