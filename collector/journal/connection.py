"""The journal's file: opening, checking, one writer, many readers, translation of errors."""

from __future__ import annotations

import errno
import os
import sqlite3
import struct
import threading
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path

from collector.clock import format_instant
from collector.domain.errors import JournalCorrupt, JournalError, JournalFull, JournalReplaced
from collector.files import without_others
from collector.journal.lock import FileIdentity, LockFile
from collector.journal.schema import check, create, migrate

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
        self.lock: LockFile | None = None if read_only else LockFile(path)
        self._files: tuple[FileIdentity, ...] = ()
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
        # Made by us first: SQLite would leave it to the umask who may read it.
        os.close(os.open(self.path, os.O_CREAT | os.O_RDWR, 0o600))
        without_others(self.path)
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
        self._files = (FileIdentity(self.path), FileIdentity(_written_ahead(self.path)))

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
            self.check_in_place()
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

    def check_in_place(self) -> None:
        """Raise ``JournalReplaced`` when the file was deleted or replaced since it was opened.

        What is written then is in a file without a name, and a second daemon may have begun.
        """
        if self.lock is not None and not self.lock.is_in_place():
            raise JournalReplaced(f"the lock file of the journal {self.path} was deleted or "
                                  "replaced")
        for file in self._files:
            if not file.is_same():
                raise JournalReplaced(f"the file {file.path} was deleted or replaced")

    def rescue(self, now: int) -> str:
        """Save what a file that was replaced holds, close it, and say where that is.

        A journal that was deleted is put back. Raises ``JournalError`` when another daemon has
        begun meanwhile; nothing at its place is touched then.
        """
        part = self.path.with_name(self.path.name + ".part")
        again = None
        with self._lock, translated(self.path):
            if self.lock is not None and not self.lock.is_in_place():
                again = LockFile(self.path)
            if self._writer is None:
                raise JournalError(f"the journal {self.path} is closed")
            part.unlink(missing_ok=True)
            os.close(os.open(part, os.O_CREAT | os.O_RDWR, 0o600))
            copied = sqlite3.connect(part, isolation_level=None)
            try:
                self._writer.backup(copied)
                copied.execute("PRAGMA journal_mode = DELETE")
            finally:
                copied.close()
            self.close()
            journal, ahead = self._files
            replaced = journal.exists() and not journal.is_same()
            if not replaced or ahead.is_same():  # it belongs to what was replaced, and is in part
                for tail in ("-wal", "-shm"):
                    self.path.with_name(self.path.name + tail).unlink(missing_ok=True)
            if replaced:
                kept = _unused(self.path.with_name(f"{self.path.name}.replaced-{_stamp(now)}"))
                os.replace(part, kept)
                said = f"what was read until then is in {kept}"
            else:
                os.replace(part, self.path)
                said = "it was put back, with all that was read until then"
        if again is not None:
            again.close()
        return said

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
            os.close(os.open(part, os.O_CREAT | os.O_RDWR, 0o600))
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
            if self.lock is not None:
                self.lock.close()
                self.lock = None


def _check_header(path: Path) -> None:
    """Refuse what is no SQLite file, or shorter than it says, before SQLite touches it."""
    with open(path, "rb") as file:
        head = file.read(100)
    if head[:16] != _MAGIC or len(head) < 100:
        raise JournalCorrupt(f"the journal {path} is damaged: it is not an SQLite file")
    written_ahead = _written_ahead(path)
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
    renamed = _unused(path.with_name(f"{path.name}.damaged-{_stamp(now)}"))
    try:
        for tail in ("", "-wal", "-shm"):
            beside = path.with_name(path.name + tail)
            if beside.exists():
                os.replace(beside, renamed.with_name(renamed.name + tail))
    except OSError as exc:
        raise JournalError(f"the damaged journal {path} could not be moved aside: {exc}") from exc
    return renamed


def _written_ahead(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def _stamp(now: int) -> str:
    return format_instant(now - now % 1000).replace(":", "").replace("-", "")


def _unused(path: Path) -> Path:
    """Return the path, or with a number behind it where a file has that name."""
    found, number = path, 1
    while found.exists():
        number += 1
        found = path.with_name(f"{path.name}-{number}")
    return found
