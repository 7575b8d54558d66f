"""The accounts of one site: a small SQLite file beside the journal, which only its owner can read.

It is apart from the journal so that a copy of the history can be handed over without it. Of a
password its argon2 hash is kept, of a session's id its SHA-256: neither can be turned back.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from collector.domain.errors import QuietpipeError, UsageError
from collector.people.passwords import Passwords
from collector.people.roles import Role

__all__ = ["PEOPLE", "Accounts", "PeopleError", "Person", "checked_name"]

PEOPLE = "people.sqlite"
"""The file's name in the data folder."""

_VERSION = 1
_SCHEMA = """
CREATE TABLE people (
  key TEXT PRIMARY KEY, name TEXT NOT NULL, role TEXT NOT NULL, hash TEXT NOT NULL,
  created INTEGER NOT NULL, changed INTEGER NOT NULL, seen INTEGER
) WITHOUT ROWID;
CREATE TABLE sessions (
  digest BLOB PRIMARY KEY, key TEXT NOT NULL REFERENCES people (key) ON DELETE CASCADE,
  csrf TEXT NOT NULL, opened INTEGER NOT NULL, used INTEGER NOT NULL
) WITHOUT ROWID;
CREATE INDEX sessions_key ON sessions (key);
"""


class PeopleError(QuietpipeError):
    """The file of the accounts cannot be read or written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """One account. Instants are ms since 1970 UTC; ``seen`` is the last sign-in."""

    name: str
    role: Role
    created: int
    changed: int
    seen: int | None = None


def checked_name(text: str) -> str:
    """Return a name as it is kept; raise ``UsageError`` for one that could not be shown."""
    name = " ".join(text.split())
    if not 1 <= len(name) <= 60 or not name.isprintable():
        raise UsageError("a name has 1 to 60 characters that can be printed")
    return name


class Accounts:
    """The file. Each call is a transaction of its own, so the command line and the daemon share it.

    Raises ``PeopleError`` when the file cannot be used, ``UsageError`` for what makes no sense.
    """

    def __init__(self, path: Path, passwords: Passwords | None = None) -> None:
        self.path = path
        self._passwords = passwords or Passwords()
        self._lock = threading.Lock()
        self._db = self._open()

    def __repr__(self) -> str:
        return f"Accounts({self.path.name})"

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._db.close()

    def _open(self) -> sqlite3.Connection:
        with _ours():
            self.path.parent.mkdir(parents=True, exist_ok=True)
            # Made by us first, since SQLite would leave it to the umask who may read it.
            os.close(os.open(self.path, os.O_CREAT | os.O_RDWR, 0o600))
            db = sqlite3.connect(self.path, timeout=5, isolation_level=None,
                                 check_same_thread=False)
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA foreign_keys = ON")
            db.execute("BEGIN IMMEDIATE")
            version = db.execute("PRAGMA user_version").fetchone()[0]
            if version == 0:
                for statement in _SCHEMA.split(";\n"):
                    db.execute(statement)
                db.execute(f"PRAGMA user_version = {_VERSION}")
            db.execute("COMMIT")
        if version > _VERSION:
            raise PeopleError(f"{self.path} is from a newer quietpipe")
        return db

    @contextlib.contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """Give the connection for one transaction; it is undone when the block raises."""
        with self._lock, _ours():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")

    @contextlib.contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Give the connection for looking something up."""
        with self._lock, _ours():
            yield self._db

    def people(self) -> list[Person]:
        """Return every account by name."""
        with self.reading() as db:
            rows = db.execute("SELECT name, role, created, changed, seen FROM people ORDER BY key")
            return [Person(name=n, role=Role(r), created=c, changed=h, seen=s)
                    for n, r, c, h, s in rows]

    def add(self, name: str, role: Role, password: str, now: int) -> Person:
        """Make an account; raise ``UsageError`` when the name is taken or the password weak."""
        name = checked_name(name)
        kept = self._passwords.make(password, name)
        with self.transaction() as db:
            if db.execute("SELECT 1 FROM people WHERE key = ?", (_key(name),)).fetchone():
                raise UsageError(f'there is an account "{name}" already')
            db.execute("INSERT INTO people VALUES (?, ?, ?, ?, ?, ?, NULL)",
                       (_key(name), name, role.value, kept, now, now))
        return Person(name=name, role=role, created=now, changed=now)

    def set_role(self, name: str, role: Role, now: int) -> None:
        """Give an account another role; it holds from the next request on."""
        self._change(name, "role = ?, changed = ?", role.value, now)

    def set_password(self, name: str, password: str, now: int) -> None:
        """Give an account another password, and end every session of it."""
        kept = self._passwords.make(password, checked_name(name))
        self._change(name, "hash = ?, changed = ?", kept, now)
        self.end_sessions(name)

    def remove(self, name: str) -> None:
        """Delete an account with its sessions."""
        with self.transaction() as db:
            _found(name, db.execute("DELETE FROM people WHERE key = ?", (_key(name),)))

    def end_sessions(self, name: str) -> None:
        """End every session of an account."""
        with self.transaction() as db:
            db.execute("DELETE FROM sessions WHERE key = ?", (_key(name),))

    def fits(self, name: str, password: str) -> str | None:
        """Return the name as it is kept when the password is its own, else ``None``.

        Takes as long for a name that nobody has.
        """
        with self.reading() as db:
            row = db.execute("SELECT name, hash FROM people WHERE key = ?",
                             (_key(name),)).fetchone()
        right = self._passwords.fits(password, row[1] if row else None)
        return str(row[0]) if right else None

    def _change(self, name: str, what: str, *values: object) -> None:
        with self.transaction() as db:
            _found(name, db.execute(f"UPDATE people SET {what} WHERE key = ?",
                                    (*values, _key(name))))


def _key(name: str) -> str:
    return " ".join(name.split()).casefold()


def _found(name: str, cursor: sqlite3.Cursor) -> None:
    if not cursor.rowcount:
        raise UsageError(f'there is no account "{name}"')


@contextlib.contextmanager
def _ours() -> Iterator[None]:
    try:
        yield
    except (sqlite3.Error, OSError) as error:
        raise PeopleError(f"the accounts cannot be used: {error}") from error
