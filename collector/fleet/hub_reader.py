"""Reader of the whole fleet from the group files, which any hub process may write."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from collector.domain.errors import JournalError
from collector.domain.events import Event, event_from_json
from collector.domain.units import MINUTE
from collector.fleet import Customer, HubSettings, folded
from collector.fleet.hub_state import FleetAlarm, SiteState
from collector.fleet.hub_store import group_file
from collector.fleet.hub_trends import EstimateDay, Trend


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetSnapshot:
    """The whole fleet at one moment. Keys are ``group/site``."""

    states: Mapping[str, SiteState] = field(default_factory=dict)
    alarms: Mapping[str, Sequence[FleetAlarm]] = field(default_factory=dict)
    """Alarms that are present."""
    trends: Mapping[str, Sequence[Trend]] = field(default_factory=dict)


Allowed = Callable[[str, str], bool]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scope:
    """The sites a person may see, and the title to show them under."""

    allowed: Allowed
    title: str
    staff: bool = False


def scope_of(person: str, settings: HubSettings) -> Scope:
    """Return the scope of a signed-in person: no site, unless the hub's file says so."""
    name = folded(person)
    if name and name in settings.staff:
        return Scope(allowed=lambda group, site: True, title=settings.name, staff=True)
    mine: list[Customer] = [c for c in settings.customers if name and name in c.people]
    return Scope(
        allowed=lambda group, site: any(c.has(group, site) for c in mine),
        title=mine[0].name if mine else settings.name,
    )


class FleetView:
    """The part of the fleet that one person may see."""

    def __init__(self, facts: FleetSnapshot, sight: Scope) -> None:
        self.title, self.staff = sight.title, sight.staff
        self._states = {key: s for key, s in facts.states.items()
                        if sight.allowed(s.group, s.site)}
        self._facts = facts

    def __repr__(self) -> str:
        return f"FleetView({self.title}, {len(self._states)} sites)"

    def __len__(self) -> int:
        return len(self._states)

    def sites(self) -> list[SiteState]:
        """Return the sites, by name."""
        return sorted(self._states.values(), key=lambda s: (s.name or s.site, s.key))

    def site(self, group: str, site: str) -> SiteState | None:
        """Return a site; ``None`` for one that does not exist or is another's."""
        return self._states.get(f"{group}/{site}")

    def alarms(self, state: SiteState) -> Sequence[FleetAlarm]:
        """Return the present alarms of a site."""
        return self._facts.alarms.get(state.key, ()) if state.key in self._states else ()

    def trends(self, state: SiteState) -> Sequence[Trend]:
        """Return the trends of a site's quantities."""
        return self._facts.trends.get(state.key, ()) if state.key in self._states else ()

    def search(self, words: str) -> list[SiteState]:
        """Return the sites whose name, id or group contains every word."""
        wanted = words.casefold().split()

        def fits(state: SiteState) -> bool:
            text = f"{state.name} {state.key}".casefold()
            return all(word in text for word in wanted)
        return [s for s in self.sites() if wanted and fits(s)]


_FRESH = 1_500
"""ms for which data once read is used again."""
_TRENDS_FRESH = MINUTE
"""ms for which trends once read are used again: they are computed once an hour."""
_LOOKED_AT = 20_000
"""Events looked at in one question; a customer of few sites must not cost a scan of all."""


@dataclass(slots=True)
class _Group:
    id: str
    path: Path
    db: sqlite3.Connection | None = None
    updated: int = -1
    trends_at: int = -_TRENDS_FRESH
    states: dict[str, SiteState] = field(default_factory=dict)
    trends: dict[str, list[Trend]] = field(default_factory=dict)


class FleetReader:
    """Reads only. Synchronous; safe to call from several threads. Raises ``JournalError``."""

    def __init__(self, folder: Path, groups: Sequence[str]) -> None:
        self._groups = [_Group(id=g, path=group_file(folder, g)) for g in groups]
        self._lock = threading.Lock()
        self._facts = FleetSnapshot()
        self._read_at: int | None = None

    def __repr__(self) -> str:
        return f"FleetReader({len(self._groups)} groups, {len(self._facts.states)} sites)"

    def close(self) -> None:
        """Close the files."""
        with self._lock:
            for group in self._groups:
                if group.db is not None:
                    group.db.close()
                    group.db = None

    def facts(self, now: int) -> FleetSnapshot:
        """Return the present fleet, at most a moment old."""
        with self._lock, _ours():
            if self._read_at is None or not 0 <= now - self._read_at < _FRESH:
                self._facts = self._read(now)
                self._read_at = now
            return self._facts

    def _read(self, now: int) -> FleetSnapshot:
        states: dict[str, SiteState] = {}
        alarms: dict[str, list[FleetAlarm]] = {}
        trends: dict[str, list[Trend]] = {}
        for group in self._groups:
            db = _opened(group)
            if db is None:
                continue
            _refresh(group, db, now)
            states |= {s.key: s for s in group.states.values()}
            trends |= {f"{group.id}/{site}": found for site, found in group.trends.items()}
            for site, body in db.execute("SELECT site, body FROM alarms WHERE stands"):
                alarms.setdefault(f"{group.id}/{site}", []).append(
                    FleetAlarm.load(json.loads(body)))
        return FleetSnapshot(states=states, alarms=alarms, trends=trends)

    def estimates(self, group: str, site: str) -> list[EstimateDay]:
        """Return the latest estimate of each quantity and asset of a site."""
        with self._lock, _ours():
            for one in self._groups:
                db = _opened(one) if one.id == group else None
                if db is not None:
                    # Of a bare column beside max(), SQLite gives the row that has the maximum.
                    return [EstimateDay(*row[:-1]) for row in db.execute(
                        "SELECT quantity, asset, day, value, unit, time, low, high, max(day) "
                        "FROM estimates WHERE site = ? GROUP BY quantity, asset", (site,))]
        return []

    def events(
        self, allowed: Callable[[str, str], bool], start: int, end: int, limit: int,
    ) -> list[tuple[str, Event]]:
        """Return the newest events of allowed sites, newest first, each with its group."""
        found: list[tuple[str, Event]] = []
        with self._lock, _ours():
            for group in self._groups:
                db = _opened(group)
                if db is not None:
                    found += _events(db, group.id, allowed, (start, end, limit))
        return sorted(found, key=lambda f: -f[1].time)[:limit]

    def dead_letters(self, limit: int = 200) -> list[tuple[str, str, str, int, int, int, bytes]]:
        """Return group, topic, reason, count, first, last and bytes of the newest dead letters."""
        found: list[tuple[str, str, str, int, int, int, bytes]] = []
        with self._lock, _ours():
            for group in self._groups:
                db = _opened(group)
                if db is not None:
                    found += [(group.id, *row) for row in db.execute(
                        "SELECT topic, reason, count, first, last, body FROM dead_letters "
                        "ORDER BY last DESC LIMIT ?", (limit,))]
        return sorted(found, key=lambda f: -f[5])[:limit]


def _opened(group: _Group) -> sqlite3.Connection | None:
    """Return the group's file, ``None`` while no hub has made it."""
    if group.db is None and group.path.exists():
        group.db = sqlite3.connect(f"{group.path.absolute().as_uri()}?mode=ro", uri=True,
                                   timeout=5, isolation_level=None, check_same_thread=False)
    return group.db


def _refresh(group: _Group, db: sqlite3.Connection, now: int) -> None:
    for updated, body in db.execute("SELECT updated, body FROM sites WHERE updated > ?",
                                    (group.updated,)).fetchall():
        state = SiteState.load(json.loads(body))
        group.states[state.site] = state
        group.updated = max(group.updated, updated)
    if not 0 <= now - group.trends_at < _TRENDS_FRESH:
        group.trends_at = now
        group.trends = {site: [Trend(**t) for t in json.loads(body)]
                        for site, body in db.execute("SELECT site, body FROM trends")}


def _events(
    db: sqlite3.Connection, group: str, allowed: Callable[[str, str], bool],
    span: tuple[int, int, int],
) -> Iterator[tuple[str, Event]]:
    start, end, limit = span
    count = 0
    rows = db.execute("SELECT site, body FROM events WHERE time >= ? AND time < ? "
                      "ORDER BY time DESC LIMIT ?", (start, end, _LOOKED_AT))
    for site, body in rows:
        if allowed(group, site):
            yield group, event_from_json(body)
            count += 1
            if count >= limit:
                return


@contextlib.contextmanager
def _ours() -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as exc:
        raise JournalError(f"the fleet's files cannot be read: {exc}") from exc
