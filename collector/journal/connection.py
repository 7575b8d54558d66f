"""The journal's file: opening, checking, one writer, many readers, translation of errors."""

from __future__ import annotations

import errno
import fcntl
import os
import sqlite3
import struct
import threading
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import IO

from collector.clock import format_instant
from collector.domain.errors import JournalCorrupt, JournalError, JournalFull

APPLICATION_ID = 0x51504A4C
"""Written into the file's header to mark it as a journal."""

VERSION = 1

SCHEMA = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE state (key TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE series (id INTEGER PRIMARY KEY, point TEXT NOT NULL UNIQUE);
CREATE TABLE whys (id INTEGER PRIMARY KEY, text TEXT NOT NULL UNIQUE);
CREATE TABLE readings (
  series INTEGER NOT NULL, time INTEGER NOT NULL, value REAL, quality INTEGER NOT NULL,
  why INTEGER NOT NULL, latency INTEGER NOT NULL, commit_no INTEGER NOT NULL,
  PRIMARY KEY (series, time)
) WITHOUT ROWID;
CREATE INDEX readings_commit ON readings (commit_no);
CREATE TABLE packed_times (
  id INTEGER PRIMARY KEY AUTOINCREMENT, hour INTEGER NOT NULL,
  first_commit INTEGER NOT NULL, last_commit INTEGER NOT NULL, data BLOB NOT NULL
);
CREATE INDEX packed_times_hour ON packed_times (hour);
CREATE INDEX packed_times_commit ON packed_times (last_commit);
CREATE TABLE packed_values (id INTEGER PRIMARY KEY AUTOINCREMENT, data BLOB NOT NULL);
CREATE TABLE packed_hours (
  series INTEGER NOT NULL, hour INTEGER NOT NULL, count_all INTEGER NOT NULL,
  count_good INTEGER NOT NULL, low REAL, mean REAL, high REAL,
  times_id INTEGER NOT NULL, values_id INTEGER NOT NULL,
  PRIMARY KEY (series, hour)
) WITHOUT ROWID;
CREATE TABLE events (
  seq INTEGER PRIMARY KEY AUTOINCREMENT, commit_no INTEGER NOT NULL, time INTEGER NOT NULL,
  kind TEXT NOT NULL, body TEXT NOT NULL
);
CREATE INDEX events_commit ON events (commit_no);
CREATE INDEX events_time ON events (time);
CREATE TABLE consumers (name TEXT PRIMARY KEY, position INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE gaps (
  id INTEGER PRIMARY KEY, first INTEGER NOT NULL, last INTEGER NOT NULL, start INTEGER NOT NULL,
  "end" INTEGER NOT NULL, readings INTEGER NOT NULL, events INTEGER NOT NULL
);
CREATE TABLE deliveries (
  id INTEGER PRIMARY KEY AUTOINCREMENT, recipient TEXT NOT NULL, event_seq INTEGER NOT NULL,
  kind TEXT NOT NULL, subject TEXT NOT NULL, body TEXT NOT NULL, created INTEGER NOT NULL,
  due INTEGER NOT NULL, attempts INTEGER NOT NULL DEFAULT 0,
  uncertain INTEGER NOT NULL DEFAULT 0, state TEXT NOT NULL DEFAULT 'waiting',
  detail TEXT NOT NULL DEFAULT '', changed INTEGER NOT NULL,
  UNIQUE (recipient, event_seq, kind)
);
CREATE INDEX deliveries_due ON deliveries (due) WHERE state = 'waiting';
CREATE INDEX deliveries_state ON deliveries (state);
"""

Step = Callable[[sqlite3.Connection], None]

MIGRATIONS: Mapping[int, Step] = {}
"""From each older version the step to the next one. Version 1 is the first that was released."""


def create(db: sqlite3.Connection) -> None:
    """Create the tables in a new file."""
    db.execute("PRAGMA auto_vacuum = INCREMENTAL")
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("BEGIN IMMEDIATE")
    for statement in SCHEMA.split(";"):
        if statement.strip():
            db.execute(statement)
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute(f"PRAGMA user_version = {VERSION}")
    db.execute("COMMIT")


def check(db: sqlite3.Connection) -> None:
    """Refuse to read a file that is no journal (``JournalCorrupt``) or not of this version."""
    if db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise JournalCorrupt("the file is an SQLite file but not a journal")
    found = db.execute("PRAGMA user_version").fetchone()[0]
    if found != VERSION:
        raise JournalError(
            f"the journal has schema version {found}, this program reads {VERSION}; "
            "the daemon brings an older one up to date when it starts"
        )


def migrate(
    db: sqlite3.Connection, *, version: int = VERSION, steps: Mapping[int, Step] = MIGRATIONS,
) -> list[int]:
    """Bring the file to ``version``, one transaction for each step; return the versions left.

    A step that fails leaves the file at the version it had. Raises ``JournalCorrupt`` when the
    file is no journal, ``JournalError`` when it is newer than this program or no step is known.
    """
    if db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise JournalCorrupt("the file is an SQLite file but not a journal")
    left: list[int] = []
    while (found := int(db.execute("PRAGMA user_version").fetchone()[0])) != version:
        if found > version:
            raise JournalError(
                f"the journal has schema version {found}, this program knows up to {version}: "
                "it was written by a newer one"
            )
        if found not in steps:
            raise JournalError(f"no way from schema version {found} of the journal to {version}")
        db.execute("BEGIN IMMEDIATE")
        try:
            steps[found](db)
            db.execute(f"PRAGMA user_version = {found + 1}")
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise
        left.append(found)
    return left


_MAGIC = b"SQLite format 3\0"
_WAIT = 5000
"""ms to wait for another connection's lock on the file."""

_WHOLE_CHECK = 64 << 20
"""Bytes up to which the whole file is checked at opening (well under a second)."""

_SMALL_TABLES = (
    "meta", "state", "series", "whys", "readings", "events", "consumers", "gaps", "deliveries",
    "packed_times",
)


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Translate errors of SQLite and zlib into the journal's own."""
    try:
        yield
    except sqlite3.Error as exc:
        code = getattr(exc, "sqlite_errorcode", None)
        base = None if code is None else code & 0xFF
        if base == sqlite3.SQLITE_FULL:
            raise JournalFull(f"no room left for the journal {path}: {exc}") from exc
        if base in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            raise JournalCorrupt(f"the journal {path} is damaged: {exc}") from exc
        raise JournalError(f"the journal {path} could not be used: {exc}") from exc
    except OSError as exc:
        if exc.errno in (errno.ENOSPC, errno.EDQUOT):
            raise JournalFull(f"no room left beside the journal {path}: {exc}") from exc
        raise JournalError(f"the journal {path} could not be used: {exc}") from exc
    except (zlib.error, struct.error) as exc:
        raise JournalCorrupt(f"the journal {path} has a damaged block: {exc}") from exc


class Database:
    """One file: a writer under a lock, and a pool of readers, each on a connection of its own.

    Raises ``JournalCorrupt`` when the file is damaged or no journal, ``JournalError`` when another
    process has it, or it is newer than this program.
    """

    def __init__(self, path: Path, *, read_only: bool = False) -> None:
        self.path = path
        self.read_only = read_only
        self._lock = threading.RLock()
        self._idle: list[sqlite3.Connection] = []
        self._pool = threading.Lock()
        self._closed = False
        self._writer: sqlite3.Connection | None = None
        self._held: IO[bytes] | None = None if read_only else _lock(path)
        try:
            with translated(path):
                self._open()
        except BaseException:
            self.close()
            raise

    def _open(self) -> None:
        new = not self.path.exists() or self.path.stat().st_size == 0
        if self.read_only:
            if new:
                raise JournalError(f"there is no journal at {self.path}")
            with self.reading() as db:
                check(db)
            return
        if not new:
            _check_header(self.path)
        db = self._writer = self._connect("rwc")
        if new and db.execute("PRAGMA schema_version").fetchone()[0] == 0:
            create(db)
        else:
            migrate(db)
            self._check(db)
        db.execute("PRAGMA journal_mode = WAL")
        # A commit is acknowledged only when it has reached the disk.
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA journal_size_limit = 16777216")

    def _connect(self, mode: str) -> sqlite3.Connection:
        quoted = str(self.path.absolute()).replace("%", "%25").replace("?", "%3f")
        db = sqlite3.connect(
            f"file:{quoted.replace('#', '%23')}?mode={mode}", uri=True, isolation_level=None,
            check_same_thread=False, timeout=_WAIT / 1000,
        )
        # A damaged text is still read: what it was shows in the log.
        db.text_factory = partial(str, encoding="utf-8", errors="replace")
        db.execute(f"PRAGMA busy_timeout = {_WAIT}")
        return db

    def _check(self, db: sqlite3.Connection) -> None:
        """Check for damage: all of a small file, all but the packed history of a big one.

        Packed blocks carry a checksum, which is checked when they are read.
        """
        if self.path.stat().st_size <= _WHOLE_CHECK:
            found = db.execute("PRAGMA quick_check(1)").fetchall()
        else:
            found = [
                row for table in _SMALL_TABLES
                for row in db.execute(f"PRAGMA quick_check('{table}')")
            ]
        wrong = [text for (text,) in found if text != "ok"]
        if wrong:
            said = " ".join(str(wrong[0]).split())
            raise JournalCorrupt(f"the journal {self.path} is damaged: {said}")

    @contextmanager
    def writing(
        self, undone: Callable[[], None] = lambda: None,
    ) -> Iterator[sqlite3.Connection]:
        """One transaction: committed to disk when the block ends, undone when it raises.

        ``undone`` is called then, before another transaction can begin.
        """
        with self._lock, translated(self.path):
            db = self._writer
            if db is None:
                raise JournalError(
                    f"the journal {self.path} is open for reading only" if self.read_only
                    else f"the journal {self.path} is closed"
                )
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
                db.execute("COMMIT")
            except BaseException:
                # SQLite may have undone it already, as it does when the disk is full.
                if db.in_transaction:
                    db.execute("ROLLBACK")
                undone()
                raise

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """One consistent view of the file, on a connection of its own."""
        with translated(self.path):
            db = self._acquire()
            try:
                db.execute("BEGIN")
                yield db
            finally:
                if db.in_transaction:
                    db.execute("ROLLBACK")
                self._give_back(db)

    def _acquire(self) -> sqlite3.Connection:
        with self._pool:
            if self._closed:
                raise JournalError(f"the journal {self.path} is closed")
            if self._idle:
                return self._idle.pop()
        return self._connect("ro")

    def _give_back(self, db: sqlite3.Connection) -> None:
        with self._pool:
            if not self._closed and len(self._idle) < 8:
                self._idle.append(db)
                return
        db.close()

    def shrink(self) -> None:
        """Give freed pages back to the disk, and merge what is written ahead into the file."""
        with self._lock, translated(self.path):
            if self._writer is not None:
                # As a script: execute() would stop after the first page it gives back.
                self._writer.executescript("PRAGMA incremental_vacuum")
                self._writer.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def backup(self, target: Path) -> None:
        """Copy the journal; the copy appears complete or not at all."""
        part = target.with_name(target.name + ".part")
        with self.reading() as source:
            source.execute("ROLLBACK")  # the copy takes its own view
            copy = sqlite3.connect(part, isolation_level=None)
            try:
                source.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
            finally:
                copy.close()
            with open(part, "rb") as written:
                os.fsync(written.fileno())
            os.replace(part, target)

    def size(self) -> int:
        """Return the bytes of the file and of what is written ahead."""
        total = 0
        for tail in ("", "-wal"):
            with suppress(FileNotFoundError):
                total += self.path.with_name(self.path.name + tail).stat().st_size
        return total

    def close(self) -> None:
        """Close every connection and let another process have the file. May be called twice."""
        with self._pool:
            self._closed = True
            idle, self._idle = self._idle, []
        for db in idle:
            db.close()
        with self._lock:
            if self._writer is not None:
                self._writer.close()
                self._writer = None
            if self._held is not None:
                self._held.close()
                self._held = None


def _lock(path: Path) -> IO[bytes]:
    """Lock the journal for this process; the system lets go when the process ends, however."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        held = open(path.with_name(path.name + ".lock"), "ab")  # noqa: SIM115 - held while open
    except OSError as exc:
        raise JournalError(f"the journal {path} could not be opened: {exc}") from exc
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as exc:
        held.close()
        raise JournalError(
            f"the journal {path} is in use by another daemon; only one may write it"
        ) from exc
    return held


def _check_header(path: Path) -> None:
    """Refuse what is no SQLite file, or shorter than it says, before SQLite touches it."""
    with open(path, "rb") as file:
        head = file.read(100)
    if head[:16] != _MAGIC or len(head) < 100:
        raise JournalCorrupt(f"the journal {path} is damaged: it is not an SQLite file")
    written_ahead = path.with_name(path.name + "-wal")
    if written_ahead.exists() and written_ahead.stat().st_size:
        return  # after a crash the missing pages may be in there; SQLite puts them in place
    page = int.from_bytes(head[16:18], "big")
    pages, size = int.from_bytes(head[28:32], "big"), path.stat().st_size
    if pages * (65536 if page == 1 else page) > size:
        raise JournalCorrupt(
            f"the journal {path} is damaged: it was cut off at {size} bytes of "
            f"{pages * (65536 if page == 1 else page)}"
        )


def rename_damaged(path: Path, now: int) -> Path:
    """Rename a damaged journal and the files SQLite keeps beside it; return its new path."""
    stamp = format_instant(now - now % 1000).replace(":", "").replace("-", "")
    renamed = path.with_name(f"{path.name}.damaged-{stamp}")
    number = 1
    while renamed.exists():
        number += 1
        renamed = path.with_name(f"{path.name}.damaged-{stamp}-{number}")
    try:
        for tail in ("", "-wal", "-shm"):
            beside = path.with_name(path.name + tail)
            if beside.exists():
                os.replace(beside, renamed.with_name(renamed.name + tail))
    except OSError as exc:
        raise JournalError(f"the damaged journal {path} could not be moved aside: {exc}") from exc
    return renamed
