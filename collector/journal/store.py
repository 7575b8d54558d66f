"""The journal as the rest of the program uses it.

Synchronous and safe to call from several threads. Writing is one transaction at a time, on disk
when the call returns; reading never waits for it. Every method raises ``JournalError`` when it
fails: ``JournalFull`` when the disk is full (nothing of the call was stored; the same call works
once there is room), ``JournalCorrupt`` when the file is damaged.
"""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType

from collector.clock import format_instant
from collector.domain.errors import JournalCorrupt, JournalReplaced
from collector.domain.events import Event
from collector.domain.messages import NewDelivery
from collector.domain.readings import Reading, TrendStep
from collector.journal import history, queries, retention, writing
from collector.journal.connection import Database, rename_damaged
from collector.journal.deliveries import Deliveries
from collector.journal.history import HOUR, QUALITIES, Row
from collector.journal.lock import LockFile, Mark
from collector.journal.records import (
    Commit,
    JournalStatistics,
    PackResult,
    RetainResult,
    StoredEvent,
)
from collector.journal.writing import Names, insert_events, insert_rows, keep_meta, rows_of

_log = logging.getLogger(__name__)


class Journal(Deliveries):
    """One file of readings, events, cursors and deliveries. Use :meth:`open`."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._series = Names("series", "point")
        self._whys = Names("whys", "text")
        self._cache = history.HourCache()
        self._damaged: set[int] = set()
        self._last_retain: RetainResult | None = None
        with database.reading() as db:
            self._last = history.get_state(db, "last_commit")
            self._packed_until = _packed_until(db)
            self._mark = writing.mark_of(db)
        self.missing = self._after_the_missing()
        """What was committed and is no longer there, in a sentence; empty for nothing."""

    def _after_the_missing(self) -> str:
        """Say which commits are missing; go on with numbers after theirs: none is used twice."""
        lock, kept = self._database.lock, self._mark
        if lock is None:
            return ""
        noted = lock.mark()
        if noted.commit <= kept.commit:
            return ""
        with self._database.writing() as db:
            writing.number_after(db, noted, self._last)
        self._last, self._mark = noted.commit, noted
        return (f"The journal lacks {noted.commit - kept.commit} commit(s) that had been written: "
                f"{max(noted.readings - kept.readings, 0)} reading(s) and "
                f"{max(noted.event - kept.event, 0)} event(s), "
                f"from {format_instant(kept.time) if kept.time else 'its beginning'} to "
                f"{format_instant(noted.time)}. Its file or its write-ahead log was damaged, "
                "emptied or replaced by an older one.")

    @classmethod
    def open(cls, path: Path, *, read_only: bool = False) -> Journal:
        """Open the journal at ``path``; a new one unless ``read_only``.

        One process may write; any number may read meanwhile. An older schema is brought up to
        date. Raises ``JournalCorrupt`` when the file is damaged or no journal, ``JournalError``
        when another process writes it.
        """
        database = Database(path, read_only=read_only)
        try:
            return cls(database)
        except BaseException:
            database.close()
            raise

    @classmethod
    def open_or_replace(cls, path: Path, now: int) -> tuple[Journal, str | None]:
        """Open the journal; rename a damaged one and start a new one.

        Returns the journal and, when one was renamed, its new path.
        """
        try:
            return cls.open(path), None
        except JournalCorrupt as exc:
            renamed = rename_damaged(path, now)
            LockFile(path).forget()  # the new journal's numbers begin at 1, and nothing is missing
            _log.error("a damaged journal was moved aside",
                       extra={"reason": str(exc), "moved_to": str(renamed)})
        return cls.open(path), str(renamed)

    def __repr__(self) -> str:
        return f"Journal({self._database.path}, commit {self._last})"

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # -- writing

    def commit(
        self, readings: Sequence[Reading], events: Sequence[Event], *,
        meta: Mapping[str, str] | None = None,
    ) -> int:
        """Store readings, events and meta in one transaction; return its number once on disk.

        A reading stored already (same point, time and content) is skipped; a different one at the
        same point and time is stored 1 ms later. Without readings and events no number
        is used up: the last one is returned. Raises ``ValueError`` when an event has a number
        that JSON cannot hold; nothing is stored then.
        """
        with self._database.writing(undone=self._forget) as db:
            last = history.get_state(db, "last_commit")
            number = last + 1 if readings or events else last
            if last != self._last:
                raise JournalReplaced("another process has written the journal")
            rows = rows_of(db, readings, number, self._series, self._whys)
            new = insert_rows(db, rows, self._packed_until)
            newest = insert_events(db, events, number) or self._mark.event
            history.add_state(db, "last_commit", number - last)
            history.add_state(db, "readings_written", new)
            keep_meta(db, meta or {})
        if number > last:
            self._write_mark(number, newest, new, [*(r.time for r in readings),
                                             *(e.time for e in events)])
        return number

    def _write_mark(self, number: int, event: int, readings: int, times: Sequence[int]) -> None:
        self._last = number
        self._mark = Mark(number, event, self._mark.readings + readings, max(times))
        if self._database.lock is not None:
            self._database.lock.write_mark(self._mark)

    def rescue(self, now: int) -> str:
        """Save what a deleted or replaced file holds, close it, and say where it is."""
        return self._database.rescue(now)

    def _forget(self) -> None:
        """Drop the numbers of names that a rolled-back transaction had added."""
        self._series.forget()
        self._whys.forget()

    def pack(self, before: int) -> PackResult:
        """Pack every hour that ended by ``before`` (ms), one transaction each.

        Late readings of hours packed earlier are merged into them.
        """
        total = PackResult()
        hour = retention.EARLIEST
        while True:
            with self._database.writing() as db:
                found = history.first_open(db, hour)
                if found is None or (found + 1) * HOUR > before:
                    break
                # Too high, after a roll-back, only costs time; too low would lose readings.
                self._packed_until = max(self._packed_until, (found + 1) * HOUR)
                done = history.pack_hour(db, found)
            hour = found + 1
            total = PackResult(hours=total.hours + 1, readings=total.readings + done.readings,
                               bytes=total.bytes + done.bytes)
        return total

    def retain(self, *, oldest: int | None, max_bytes: int | None) -> RetainResult:
        """Delete hours that ended by ``oldest`` (ms), then the oldest down to ``max_bytes``.

        Age leaves what a consumer has not settled; size does not, and :meth:`after` gives the
        consumer a ``gap``. Alarm events always stay.
        """
        counts = RetainResult()
        hour: int | None = retention.EARLIEST
        while oldest is not None and hour is not None:
            with self._database.writing() as db:
                hour = retention.by_age(db, oldest, hour, counts)
                retention.delete_facts(db, oldest, counts)
        more = max_bytes is not None
        while more and max_bytes is not None:
            with self._database.writing() as db:
                more = retention.by_size(db, max_bytes, counts)
        with self._database.writing() as db:
            if retention.delete_reasons(db):
                self._forget()
        self._database.shrink()
        with self._database.reading() as db:
            counts.held_for = retention.slow_consumers(db) if counts.held or counts.gaps else ()
        counts.bytes = self._database.size()
        self._last_retain = counts
        return counts

    # -- reading

    def damage(self) -> str:
        """Say which events read so far are damaged and left out; empty for none."""
        numbers = sorted(self._damaged)
        if not numbers:
            return ""
        return (f"{len(numbers)} event(s) of the journal are damaged and left out: number "
                + ", ".join(map(str, numbers[:10])) + (" and more." if numbers[10:] else "."))

    def meta(self, key: str) -> str | None:
        """Return the value stored under ``key``."""
        with self._database.reading() as db:
            row = db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return None if row is None else str(row[0])

    def points(self) -> list[str]:
        """Return every point with a reading, in the order of their first one."""
        with self._database.reading() as db:
            return list(self._series.all(db))

    def span(self) -> tuple[int, int] | None:
        """Return the first and the last instant (ms) with a reading."""
        with self._database.reading() as db:
            return history.span(db)

    def readings(
        self, points: Sequence[str] | None, start: int | None, end: int | None,
    ) -> Iterator[Reading]:
        """Yield readings from ``start`` to ``end`` (ms, excluded) in time, then commit order.

        Hour by hour: a commit made meanwhile to a later hour is included.
        """
        with self._database.reading() as db:
            known = self._series.all(db)
        wanted = None if points is None else [known[p] for p in points if p in known]
        hour = retention.EARLIEST if start is None else start // HOUR
        while wanted is None or wanted:
            with self._database.reading() as db:
                found = history.next_hour(db, hour)
                if found is None or (end is not None and found * HOUR >= end):
                    return
                part = [
                    self._reading(db, row) for row in history.hour_rows(db, found, wanted)
                    if (start is None or row.time >= start) and (end is None or row.time < end)
                ]
            yield from part
            hour = found + 1

    def trend(self, point: str, start: int, end: int, step: int) -> list[TrendStep]:
        """Return minimum, mean and maximum of good readings per ``step`` ms; gaps stay gaps.

        Raises ``ValueError`` unless ``step`` is positive and ``start`` before ``end``.
        """
        if step <= 0 or end <= start:
            raise ValueError(f"no steps of {step} ms from {start} to {end}")
        with self._database.reading() as db:
            return queries.trend(db, self._series.all(db).get(point, 0), start, end, step)

    def numbers(self, point: str, start: int, end: int) -> list[tuple[int, float | None]]:
        """Return time (ms) and value of each reading from ``start`` to ``end`` (excluded).

        In time order; a reading that is not good has ``None``, as in ``Reading.usable``. Where only
        the numbers are wanted this is several times faster than :meth:`readings`.
        """
        with self._database.reading() as db:
            return queries.numbers(db, self._series.all(db).get(point, 0), start, end)

    def last_readings(self) -> list[Reading]:
        """Return the newest reading of each point that has one."""
        with self._database.reading() as db:
            rows = [history.last_row(db, number) for number in self._series.all(db).values()]
            return [self._reading(db, row) for row in rows if row is not None]

    def events(
        self, *, start: int | None = None, end: int | None = None, kind: str | None = None,
        after: int = 0, holding: Sequence[str] = (),
    ) -> Iterator[StoredEvent]:
        """Yield events in the order they were committed.

        ``start`` and ``end`` (excluded) are ms; ``kind`` is that of the JSON line: ``alarm``,
        ``estimate``, or a fact's own. ``after`` is the number of the event to continue after.
        With ``holding``, only events whose line of JSON contains one of these texts.
        """
        last = after
        either = f" AND ({' OR '.join(['instr(body, ?)'] * len(holding))})" if holding else ""
        while True:
            with self._database.reading() as db:
                rows = db.execute(
                    "SELECT seq, commit_no, body FROM events WHERE seq > ?1 "
                    "AND (?2 IS NULL OR time >= ?2) AND (?3 IS NULL OR time < ?3) "
                    f"AND (?4 IS NULL OR kind = ?4){either} ORDER BY seq LIMIT 1000",
                    (last, start, end, kind, *holding),
                ).fetchall()
            if not rows:
                return
            yield from queries.stored_events(rows, self._damaged)
            last = rows[-1][0]

    def last_event(self) -> int:
        """Return the number of the newest event; 0 before the first."""
        with self._database.reading() as db:
            row = db.execute("SELECT max(seq) FROM events").fetchone()
        return int(row[0] or 0)

    def find_events(
        self, *, kinds: Sequence[str] = (), without: Sequence[str] = (),
        holding: Sequence[str] = (), exactly: Sequence[str] = (), start: int | None = None,
        end: int | None = None, limit: int = 100,
    ) -> list[StoredEvent]:
        """Return the newest events first; see :func:`collector.journal.queries.find_events`."""
        with self._database.reading() as db:
            return queries.find_events(db, kinds=kinds, without=without, holding=holding,
                                       exactly=exactly, start=start, end=end, limit=limit,
                                       damaged=self._damaged)

    def _reading(self, db: sqlite3.Connection, row: Row) -> Reading:
        return Reading(
            point=self._series.text(db, row.series), asked=row.time - row.latency, time=row.time,
            value=row.value, quality=QUALITIES[row.quality], why=self._whys.text(db, row.why),
        )

    # -- consumers

    def register(self, consumer: str) -> int:
        """Register a consumer, for which retention waits; return its position."""
        self.settle(consumer, 0)
        return self.position(consumer)

    def forget(self, consumer: str) -> None:
        """Remove a consumer and its cursor; retention no longer waits for it."""
        with self._database.writing() as db:
            db.execute("DELETE FROM consumers WHERE name = ?", (consumer,))

    @property
    def last_commit(self) -> int:
        return self._last

    def position(self, consumer: str) -> int:
        """Return the number of the last commit this consumer has settled, 0 for none."""
        with self._database.reading() as db:
            return queries.position(db, consumer)

    def after(self, position: int, limit: int) -> list[Commit]:
        """Return up to ``limit`` commits after ``position``, in order, none skipped."""
        with self._database.reading() as db:
            return queries.after(
                db, position, limit, self._cache, lambda row: self._reading(db, row),
                self._damaged,
            )

    def settle(
        self, consumer: str, position: int, *, deliveries: Sequence[NewDelivery] = (),
        meta: Mapping[str, str] | None = None,
    ) -> None:
        """Advance a cursor (never back), enqueue deliveries and store meta, in one transaction."""
        with self._database.writing() as db:
            queries.move(db, consumer, position)
            writing.enqueue(db, deliveries)
            keep_meta(db, meta or {})

    # -- the file

    def backup(self, path: Path) -> None:
        """Copy the journal to ``path`` while it is in use."""
        self._database.backup(path)

    def statistics(self) -> JournalStatistics:
        """Return sizes and counts of the journal."""
        with self._database.reading() as db:
            packed = history.get_state(db, "packed_readings")
            last = history.get_state(db, "last_commit")
            return JournalStatistics(
                path=self._database.path, bytes=self._database.size(),
                readings_open=db.execute("SELECT count(*) FROM readings").fetchone()[0],
                readings_packed=packed,
                points=db.execute("SELECT count(*) FROM series").fetchone()[0], last_commit=last,
                lags={name: last - at for name, at in queries.positions(db).items()},
                deliveries=writing.by_state(db), last_retain=self._last_retain,
            )

    def close(self) -> None:
        """Close the file. May be called twice."""
        self._database.close()


def _packed_until(db: sqlite3.Connection) -> int:
    hour = db.execute("SELECT max(hour) FROM packed_times").fetchone()[0]
    return 0 if hour is None else (int(hour) + 1) * HOUR
