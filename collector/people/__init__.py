"""The accounts of one site: roles, password hashes and sessions in a SQLite file of its own.

The file lies beside the journal, readable by its owner only, so that a copy of the history can be
handed over without it. Of a password the argon2id hash is stored (RFC 9106, low memory), of a
session's id the SHA-256.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import sqlite3
import threading
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError, VerifyMismatchError

from collector.domain.errors import QuietpipeError, UsageError
from collector.files import private_folder

SHORTEST = 10
"""Characters. NIST SP 800-63B asks for a length of 8, and for no mixture of kinds."""
_LONGEST = 200


class Passwords:
    """Makes and checks hashes. ``hasher`` is argon2's own with its defaults unless said."""

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        self._hasher = hasher or PasswordHasher()
        # Verified for a name without an account, so that both take equally long.
        self._unknown = self._hasher.hash(secrets.token_urlsafe(32))

    def __repr__(self) -> str:
        return "Passwords(argon2id)"

    def hash(self, password: str, name: str) -> str:
        """Return the hash of a new password.

        Raises ``UsageError`` when it is too short, too long, the name itself, or one character
        only.
        """
        plain = _normal(password)
        if len(plain) < SHORTEST:
            raise UsageError(f"a password needs {SHORTEST} characters or more")
        if len(plain) > _LONGEST:
            raise UsageError(f"a password may have {_LONGEST} characters at most")
        if len(set(plain)) < 4 or plain.casefold() == name.casefold():
            raise UsageError("that password is too easily guessed")
        return self._hasher.hash(plain)

    def verify(self, password: str, kept: str | None) -> bool:
        """Whether ``password`` has the hash ``kept``, which is ``None`` for an unknown name.

        Raises ``AccountsError`` when that cannot be found out, for want of memory for instance.
        """
        plain = _normal(password)[:_LONGEST + 1]
        try:
            right = self._hasher.verify(kept or self._unknown, plain)
        except (VerifyMismatchError, InvalidHashError):
            return False
        except VerificationError as error:
            raise AccountsError(f"the password could not be checked: {error}") from error
        return right and kept is not None

    def rehash(self, password: str) -> str:
        """Return the hash of a password that was verified."""
        return self._hasher.hash(_normal(password))

    def is_dated(self, kept: str) -> bool:
        """Whether a hash was made with other settings than the current ones."""
        return self._hasher.check_needs_rehash(kept)


def _normal(password: str) -> str:
    # The same key gives other code points on other machines (RFC 8265 asks for this too).
    return unicodedata.normalize("NFC", password)


class Role(StrEnum):
    """A role of an account, from the least rights to the most. Each includes those before it.

    >>> Role.RESPOND.may(Role.LOOK), Role.RESPOND.may(Role.MANAGE)
    (True, False)
    """

    LOOK = "look"
    """Read every page."""
    RESPOND = "respond"
    """Also acknowledge, shelve, declare fills and impairments: the rights of a person on call."""
    MANAGE = "manage"
    """Also take out of service, reset baselines, accept: what changes the evaluation."""

    def may(self, needed: Role) -> bool:
        """Whether this role includes ``needed``."""
        order = list(Role)
        return order.index(self) >= order.index(needed)


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


class AccountsError(QuietpipeError):
    """The file of the accounts cannot be read or written."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """An account. Instants are ms since 1970 UTC; ``seen`` is the last sign-in."""

    name: str
    role: Role
    created: int
    changed: int
    seen: int | None = None


def checked_name(text: str) -> str:
    """Return a name as it is stored; raise ``UsageError`` for one that cannot be shown."""
    name = " ".join(text.split())
    if not 1 <= len(name) <= 60 or not name.isprintable():
        raise UsageError("a name has 1 to 60 characters that can be printed")
    return name


class Accounts:
    """The accounts file. Each call is one transaction, so the command and the daemon can share it.

    Raises ``AccountsError`` when the file cannot be used, ``UsageError`` for an invalid request.
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
        with _accounts_errors():
            private_folder(self.path.parent)
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
            raise AccountsError(f"{self.path} is from a newer quietpipe")
        return db

    @contextlib.contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """Yield the connection for one transaction, rolled back when the block raises."""
        with self._lock, _accounts_errors():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")

    @contextlib.contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        with self._lock, _accounts_errors():
            yield self._db

    def people(self) -> list[Person]:
        """Return all accounts, sorted by name."""
        with self.reading() as db:
            rows = db.execute("SELECT name, role, created, changed, seen FROM people ORDER BY key")
            return [Person(name=n, role=Role(r), created=c, changed=h, seen=s)
                    for n, r, c, h, s in rows]

    def add(self, name: str, role: Role, password: str, now: int) -> Person:
        """Add an account; raise ``UsageError`` when the name is taken or the password weak."""
        name = checked_name(name)
        kept = self._passwords.hash(password, name)
        with self.transaction() as db:
            if db.execute("SELECT 1 FROM people WHERE key = ?", (_key(name),)).fetchone():
                raise UsageError(f'there is an account "{name}" already')
            db.execute("INSERT INTO people VALUES (?, ?, ?, ?, ?, ?, NULL)",
                       (_key(name), name, role.value, kept, now, now))
        return Person(name=name, role=role, created=now, changed=now)

    def set_role(self, name: str, role: Role, now: int) -> None:
        """Change the role of an account, from the next request on."""
        self._change(name, "role = ?, changed = ?", role.value, now)

    def set_password(self, name: str, password: str, now: int) -> None:
        """Change the password of an account, and end all its sessions."""
        kept = self._passwords.hash(password, checked_name(name))
        self._change(name, "hash = ?, changed = ?", kept, now)
        self.end_sessions(name)

    def remove(self, name: str) -> None:
        """Delete an account with its sessions."""
        with self.transaction() as db:
            _found(name, db.execute("DELETE FROM people WHERE key = ?", (_key(name),)))

    def end_sessions(self, name: str) -> None:
        with self.transaction() as db:
            db.execute("DELETE FROM sessions WHERE key = ?", (_key(name),))

    def verify(self, name: str, password: str) -> str | None:
        """Return the name as it is stored when the password is right, else ``None``.

        Takes as long for an unknown name. A hash made with older settings is replaced.
        """
        with self.reading() as db:
            row = db.execute("SELECT name, hash FROM people WHERE key = ?",
                             (_key(name),)).fetchone()
        if not self._passwords.verify(password, row[1] if row else None):
            return None
        if self._passwords.is_dated(row[1]):
            # Only where the hash is still the one verified: the password may have changed since.
            with self.transaction() as db:
                db.execute("UPDATE people SET hash = ? WHERE key = ? AND hash = ?",
                           (self._passwords.rehash(password), _key(name), row[1]))
        return str(row[0])

    def device_key(self, name: str) -> bytes:
        """Return a secret of a person that changes with the password; empty for an unknown name."""
        with self.reading() as db:
            row = db.execute("SELECT hash FROM people WHERE key = ?", (_key(name),)).fetchone()
        return str(row[0]).encode() if row else b""

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
def _accounts_errors() -> Iterator[None]:
    try:
        yield
    except (sqlite3.Error, OSError) as error:
        raise AccountsError(f"the accounts cannot be used: {error}") from error
