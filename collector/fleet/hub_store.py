"""The stored state of one group: a SQLite file, written by the process that serves the group.

Everything that came from the broker is stored before the broker gets its confirmation, and an event
is known by its number in its site's journal: what comes again changes nothing. So neither a killed
hub nor a broker that repeats itself loses an event or counts one twice.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, field
from hashlib import sha256
from itertools import groupby
from pathlib import Path
from typing import Any
from urllib.parse import quote

from collector.domain.errors import JournalError
from collector.domain.events import AlarmTransition, EstimateMade, Event, event_to_json
from collector.domain.units import DAY
from collector.files import private_folder
from collector.fleet.hub_messages import JOURNAL_ROOM
from collector.fleet.hub_state import FleetAlarm, SiteState, merged
from collector.fleet.hub_trends import TREND_QUANTITIES, EstimateDay, trend_of

_VERSION = 2
_SCHEMA = """
CREATE TABLE sites (site TEXT PRIMARY KEY, updated INTEGER NOT NULL, body TEXT NOT NULL)
  WITHOUT ROWID;
CREATE INDEX sites_updated ON sites (updated);
CREATE TABLE journals (site TEXT NOT NULL, journal TEXT NOT NULL, epoch INTEGER NOT NULL,
  PRIMARY KEY (site, journal)) WITHOUT ROWID;
CREATE TABLE events (site TEXT NOT NULL, journal TEXT NOT NULL, seq INTEGER NOT NULL,
  time INTEGER NOT NULL, kind TEXT NOT NULL, body TEXT NOT NULL,
  PRIMARY KEY (site, journal, seq)) WITHOUT ROWID;
CREATE INDEX events_time ON events (site, time);
CREATE INDEX events_newest ON events (time);
CREATE TABLE alarms (site TEXT NOT NULL, id TEXT NOT NULL, stands INTEGER NOT NULL,
  body TEXT NOT NULL, PRIMARY KEY (site, id)) WITHOUT ROWID;
CREATE INDEX alarms_standing ON alarms (site) WHERE stands;
CREATE TABLE estimates (site TEXT NOT NULL, quantity TEXT NOT NULL, asset TEXT NOT NULL,
  day INTEGER NOT NULL, told INTEGER NOT NULL, value REAL, low REAL, high REAL, unit TEXT NOT NULL,
  time INTEGER NOT NULL, PRIMARY KEY (site, quantity, asset, day)) WITHOUT ROWID;
CREATE TABLE trends (site TEXT PRIMARY KEY, body TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE history (id INTEGER PRIMARY KEY, lines BLOB NOT NULL);
"""
_DEAD_LETTERS = """
CREATE TABLE dead_letters (topic TEXT NOT NULL, digest BLOB NOT NULL, reason TEXT NOT NULL,
  count INTEGER NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL, body BLOB NOT NULL,
  PRIMARY KEY (topic, digest)) WITHOUT ROWID;
CREATE INDEX dead_letters_last ON dead_letters (last);
"""
_MOST_DEAD_LETTERS = 1000
_LONGEST_BODY = 2000
_TOGETHER = 200
"""Sites whose trends are written together."""
_QUARTERS = 190
"""Days that this quarter and the last can span."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceivedEvent:
    """A received event, with its number in its site's journal."""

    site: str
    journal: str
    seq: int
    event: Event


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadLetter:
    """A message that was not accepted. ``time`` (ms) is when it was received."""

    topic: str
    payload: bytes
    reason: str
    time: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """The changes that one transaction stores."""

    events: Sequence[ReceivedEvent] = ()
    dead: Sequence[DeadLetter] = ()
    states: Sequence[SiteState] = ()
    history: bytes = field(default=b"", repr=False)
    """Lines for the time series engine."""


def group_file(folder: Path, group: str) -> Path:
    return folder / f"group-{quote(group, safe='')}.sqlite"


class GroupStore:
    """The file of a group. Synchronous, one call at a time. Raises ``JournalError``."""

    def __init__(self, path: Path, group: str) -> None:
        self.path, self.group = path, group
        self._lock = threading.Lock()
        with _ours():
            private_folder(path.parent)
            self._db = sqlite3.connect(path, timeout=10, isolation_level=None,
                                       check_same_thread=False)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = FULL")
            version = self._db.execute("PRAGMA user_version").fetchone()[0]
            if version > _VERSION:
                raise JournalError(f"{path} is from a newer quietpipe")
            if version < _VERSION:
                steps = (_SCHEMA, _DEAD_LETTERS)[version:]
                self._db.executescript(f"BEGIN IMMEDIATE; {''.join(steps)} "
                                       f"PRAGMA user_version = {_VERSION}; COMMIT;")

            # Grows with every batch, so that a reader can ask for what is newer than it has.
            self._updated = self._db.execute("SELECT max(updated) FROM sites").fetchone()[0] or 0

    def __repr__(self) -> str:
        return f"GroupStore({self.path.name})"

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._db.close()

    def states(self) -> dict[str, SiteState]:
        with self._lock, _ours():
            rows = self._db.execute("SELECT body FROM sites").fetchall()
        states = [SiteState.load(json.loads(body)) for (body,) in rows]
        return {s.site: s for s in states}

    def keep(self, batch: Batch, now: int) -> list[ReceivedEvent]:
        """Keep a batch in one transaction, on disk when this returns; return the new events."""
        updated = max(self._updated + 1, now)
        with self._writing() as db:
            new = [came for came in batch.events if _add_event(db, came)]
            db.executemany(
                "INSERT INTO sites VALUES (?, ?, ?) ON CONFLICT (site) "
                "DO UPDATE SET updated = excluded.updated, body = excluded.body",
                [(s.site, updated, json.dumps(s.dump(), separators=(",", ":")))
                 for s in batch.states],
            )
            if batch.history:
                db.execute("INSERT INTO history (lines) VALUES (?)", (batch.history,))
            if batch.dead:
                _add_dead_letters(db, batch.dead)
        self._updated = updated
        return new

    def refresh_trends(self, now: int, go_on: Callable[[], bool]) -> int:
        """Compute the trends of every site again; return the number of sites.

        It reads every day of two quarters: once for all readers, and site by site, so that nothing
        else waits for it.
        """
        sites = [site for (site,) in self._ask("SELECT site FROM sites")]
        done = 0
        for start in range(0, len(sites), _TOGETHER):
            made = []
            for site in sites[start:start + _TOGETHER]:
                if not go_on():
                    return done
                made.append((site, self._trends_of(site, now)))
                done += 1
            with self._writing() as db:
                db.executemany("INSERT INTO trends VALUES (?, ?) ON CONFLICT (site) "
                               "DO UPDATE SET body = excluded.body", made)
        return done

    def _trends_of(self, site: str, now: int) -> str:
        marks = ", ".join("?" * len(TREND_QUANTITIES))
        rows = self._ask(
            "SELECT quantity, asset, day, value, unit, time FROM estimates WHERE site = ? "
            f"AND quantity IN ({marks}) AND day >= ? ORDER BY quantity, asset, day",
            (site, *TREND_QUANTITIES, now // DAY - _QUARTERS))
        found = [trend_of([EstimateDay(*row) for row in one], now)
                 for _, one in groupby(rows, key=lambda row: row[:2])]
        return json.dumps([asdict(t) for t in found if t is not None], separators=(",", ":"))

    def _ask(self, query: str, values: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        with self._lock, _ours():
            return self._db.execute(query, values).fetchall()

    # -- the way to the time series engine -------------------------------------------------------

    def next_history(self, limit: int = 100) -> tuple[int, bytes] | None:
        """Return the oldest lines not written yet, with the number to forget them by."""
        with self._lock, _ours():
            rows = self._db.execute("SELECT id, lines FROM history ORDER BY id LIMIT ?",
                                    (limit,)).fetchall()
        return (int(rows[-1][0]), b"\n".join(bytes(row[1]) for row in rows)) if rows else None

    def drop_history(self, upto: int) -> None:
        """Forget lines that were written."""
        with self._writing() as db:
            db.execute("DELETE FROM history WHERE id <= ?", (upto,))

    def bound_history(self, most: int) -> int:
        """Forget the oldest lines beyond ``most`` batches; return how many batches were lost."""
        with self._writing() as db:
            return db.execute(
                "DELETE FROM history WHERE id <= (SELECT max(id) FROM history) - ?", (most,),
            ).rowcount

    def retain(self, oldest: int) -> int:
        """Delete events and estimates before ``oldest`` (ms), active alarms excepted."""
        with self._writing() as db:
            gone = db.execute("DELETE FROM events WHERE time < ?", (oldest,)).rowcount
            db.execute("DELETE FROM estimates WHERE day < ?", (oldest // DAY,))
        return gone

    @contextlib.contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with self._lock, _ours():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise


@contextlib.contextmanager
def _ours() -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as exc:
        raise JournalError(f"the hub's file cannot be used: {exc}") from exc


def _add_event(db: sqlite3.Connection, came: ReceivedEvent) -> bool:
    """Add an event; return whether it was new."""
    event = came.event
    line = event_to_json(event)
    kind = "alarm" if isinstance(event, AlarmTransition) else \
        "estimate" if isinstance(event, EstimateMade) else event.fact
    added = db.execute("INSERT OR IGNORE INTO events VALUES (?, ?, ?, ?, ?, ?)",
                       (came.site, came.journal, came.seq, event.time, kind, line)).rowcount
    if not added:
        return False
    order = _order(db, came)
    if isinstance(event, AlarmTransition):
        _move_alarm(db, came.site, event, order)
    elif isinstance(event, EstimateMade):
        _keep_estimate(db, came.site, event, order)
    return True


def _add_dead_letters(db: sqlite3.Connection, letters: Sequence[DeadLetter]) -> None:
    """Keep dead letters: the same bytes once, with a count, and only the newest of all."""
    db.executemany(
        "INSERT INTO dead_letters VALUES (?, ?, ?, 1, ?, ?, ?) ON CONFLICT (topic, digest) "
        "DO UPDATE SET count = count + 1, last = excluded.last, reason = excluded.reason",
        [(_text(one.topic)[:300], sha256(one.payload).digest(), _text(one.reason), one.time,
          one.time, one.payload[:_LONGEST_BODY]) for one in letters])
    db.execute("DELETE FROM dead_letters WHERE (topic, digest) IN (SELECT topic, digest FROM "
               "dead_letters ORDER BY last DESC LIMIT -1 OFFSET ?)", (_MOST_DEAD_LETTERS,))


def _text(text: str) -> str:
    """Return a text without the characters that UTF-8 cannot encode."""
    return text.encode("utf-8", "backslashreplace").decode()


def _order(db: sqlite3.Connection, came: ReceivedEvent) -> int:
    """Return a number that grows with a site's events, also after its journal was replaced."""
    row = db.execute("SELECT epoch FROM journals WHERE site = ? AND journal = ?",
                     (came.site, came.journal)).fetchone()
    if row is None:
        last = db.execute("SELECT max(epoch) FROM journals WHERE site = ?",
                          (came.site,)).fetchone()[0]
        epoch = 0 if last is None else int(last) + 1
        db.execute("INSERT INTO journals VALUES (?, ?, ?)", (came.site, came.journal, epoch))
        if epoch and came.journal != "hub":
            # A new journal does not know the alarms of the old one, and will never end them.
            db.execute("UPDATE alarms SET stands = 0 WHERE site = ? "
                       "AND id NOT LIKE 'site-silent.%'", (came.site,))
        return epoch * JOURNAL_ROOM + came.seq
    return int(row[0]) * JOURNAL_ROOM + came.seq


def _move_alarm(db: sqlite3.Connection, site: str, event: AlarmTransition, order: int) -> None:
    row = db.execute("SELECT body FROM alarms WHERE site = ? AND id = ?",
                     (site, event.id)).fetchone()
    known = FleetAlarm.load(json.loads(row[0])) if row is not None else None
    alarm = merged(known, event, order)
    db.execute("INSERT OR REPLACE INTO alarms VALUES (?, ?, ?, ?)",
               (site, event.id, int(alarm.has("present")),
                json.dumps(alarm.dump(), separators=(",", ":"))))


def _keep_estimate(db: sqlite3.Connection, site: str, made: EstimateMade, order: int) -> None:
    # One row a day and quantity: enough for quarters, and the newest is the latest.
    db.execute(
        "INSERT INTO estimates VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) "
        "ON CONFLICT (site, quantity, asset, day) DO UPDATE SET told = excluded.told, "
        "value = excluded.value, low = excluded.low, high = excluded.high, unit = excluded.unit, "
        "time = excluded.time WHERE excluded.told >= told",
        (site, made.quantity, made.asset, made.time // DAY, order, made.value, made.low,
         made.high, made.unit, made.time),
    )

