"""The journal's schema: its tables, the check of a file, and the steps from older versions."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping

from collector.domain.errors import JournalCorrupt, JournalError

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
