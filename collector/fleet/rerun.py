"""Runs the rules again over one site of the archive, perhaps with an override file.

A site is re-run whole and in one process: rules carry their state from day to day. They start
without state at the first reading, as a replay does. Operator actions in the archived events (a
declared fill, an impairment, a visit, a reset or an accepted baseline) are repeated at their time,
since no reading holds them. So are the daemon's own events that rules evaluate (the clock was set,
an endpoint is unreachable). Events that the rules make themselves are not repeated, nor actions on
single alarms, which may not be raised this time.
"""

from __future__ import annotations

import tomllib
from collections import Counter, deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from collector.app.monitor import SiteMonitor
from collector.clock import parse_instant
from collector.config import load_site
from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.errors import ActionRefused, QuietpipeError, SiteFileError
from collector.domain.events import AlarmTransition, Event, SystemEvent, Transition, event_to_json
from collector.domain.readings import Columns
from collector.domain.units import HOUR
from collector.fleet.archive import Archive
from collector.recorded import SiteFilter

_DECLARED = {
    "fill-declared": ActionKind.DECLARE_FILL, "impairment-declared": ActionKind.DECLARE_IMPAIRMENT,
    "visit-begun": ActionKind.BEGIN_VISIT,
}
_ENDED = {
    "fill-ended": ActionKind.END_FILL, "impairment-ended": ActionKind.END_IMPAIRMENT,
    "visit-ended": ActionKind.END_VISIT,
}
_BEGUN = {"impairment-ended": "impairment-declared", "visit-ended": "visit-begun"}
_OF_THE_RULES = frozenset({"impairment-ending", "visit-ending", "baseline-learned"})
_ACCEPTED = "baseline-accepted"


class ActionReplay:
    """Feeds readings and archived events of one site to a monitor, in the order of their time.

    An event goes before the readings of its own instant.
    """

    def __init__(self, monitor: SiteMonitor, facts: Iterable[SystemEvent]) -> None:
        self._monitor = monitor
        self._waiting = deque(facts)
        self._last: int | None = None
        self._reasons: dict[tuple[str, str], str] = {}
        self.refused: list[str] = []
        """Actions that could not be repeated, with the reason."""

    def __repr__(self) -> str:
        return f"ActionReplay({self._monitor!r}, {len(self._waiting)} facts to come)"

    def events(self, batches: Iterable[Columns]) -> Iterator[Event]:
        """Yield the events; ticks due after the last reading are not run."""
        for columns in batches:
            yield from self._batch(columns)
        if self._last is not None:
            while self._waiting and self._waiting[0].time <= self._last:
                yield from self._repeat(self._waiting.popleft())
            yield from self._monitor.advance(self._last)

    def _batch(self, columns: Columns) -> Iterator[Event]:
        while len(columns):
            end = len(columns)
            if self._waiting:
                end = int(columns.times.searchsorted(self._waiting[0].time, side="left"))
            if end:
                part = columns.take(slice(0, end))
                yield from self._monitor.feed_columns(part)
                self._last = int(part.times[-1])
                columns = columns.take(slice(end, None))
            else:
                yield from self._repeat(self._waiting.popleft())

    def _repeat(self, fact: SystemEvent) -> Iterator[Event]:
        """Repeat the action of an event, after the ticks due before it."""
        if fact.fact in _OF_THE_RULES:
            return
        yield from self._monitor.advance(fact.time)
        try:
            action = self._action_of(fact)
        except (KeyError, ValueError):
            self.refused.append(f"{fact.fact} {fact.asset}: a value is missing")
            return
        if action is not None:
            try:
                yield from self._monitor.act(action)
            except ActionRefused as refusal:
                self.refused.append(f"{fact.fact} {fact.asset}: {refusal}")
        elif fact.fact not in _ENDED:
            yield from self._monitor.record_event(fact)
            if fact.fact == _ACCEPTED:
                yield fact

    def _action_of(self, fact: SystemEvent) -> OperatorAction | None:
        """Return the operator action that an event records, or ``None``."""
        values = {name: "" if value is None else str(value) for name, value in fact.values.items()}
        by, why = values.get("by", ""), values.get("why", "")
        if fact.fact in _DECLARED:
            self._reasons[fact.fact, fact.asset] = why
            return OperatorAction(
                kind=_DECLARED[fact.fact], alarm=fact.asset, time=fact.time, by=by, why=why,
                until=parse_instant(values["until"]))
        if fact.fact in _ENDED:
            if "until" in values:
                # An end without a reason of its own carries the reason of the beginning.
                began = self._reasons.get((_BEGUN.get(fact.fact, ""), fact.asset))
                early, why = fact.time < parse_instant(values["until"]), "" if why == began else why
            else:
                early = bool(by)
            # What ended when its time was up does so again.
            return OperatorAction(kind=_ENDED[fact.fact], alarm=fact.asset, time=fact.time, by=by,
                          why=why) if early else None
        if fact.fact == "baseline-reset":
            return OperatorAction(
                kind=ActionKind.RESET_BASELINE, alarm=f"{values['quantity']}.{fact.asset}",
                time=fact.time, by=by, why=why)
        return None


_SAME = HOUR
"""ms by which the same alarm may be raised earlier or later."""
Kind = tuple[str, str]
"""Condition and asset."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Alarms raised then and now; ``more`` and ``fewer`` count by condition and asset."""

    then: int
    now: int
    more: dict[Kind, int]
    fewer: dict[Kind, int]

    def __str__(self) -> str:
        """Return the comparison as a sentence.

        >>> print(Comparison(then=2, now=3, more={("leak-high", "r1"): 1}, fewer={}))
        3 alarms where 2 were reported; 1 more (leak-high r1), none fewer
        """
        alarms = "1 alarm" if self.now == 1 else f"{self.now} alarms"
        return (f"{alarms} where {self.then} were reported; "
                f"{_difference_text(self.more, 'more')}, {_difference_text(self.fewer, 'fewer')}")


def compared(then: Iterable[Event], now: Iterable[Event]) -> Comparison:
    """Compare the alarms that two courses of events raise.

    Alarms of one condition and asset that are raised within an hour of each other are the same.
    """
    before, found = _raised(then), _raised(now)
    more: Counter[Kind] = Counter()
    fewer: Counter[Kind] = Counter()
    for kind in sorted(before.keys() | found.keys()):
        same = _pairs(before.get(kind, []), found.get(kind, []))
        more[kind] = len(found.get(kind, [])) - same
        fewer[kind] = len(before.get(kind, [])) - same
    return Comparison(
        then=sum(map(len, before.values())), now=sum(map(len, found.values())),
        more={k: n for k, n in more.items() if n}, fewer={k: n for k, n in fewer.items() if n},
    )


def _raised(events: Iterable[Event]) -> dict[Kind, list[int]]:
    raised: dict[Kind, list[int]] = {}
    for event in events:
        if isinstance(event, AlarmTransition) and event.transition is Transition.RAISED:
            raised.setdefault((event.condition, event.asset), []).append(event.time)
    return {kind: sorted(times) for kind, times in raised.items()}


def _pairs(then: list[int], now: list[int]) -> int:
    """Return how many of two sorted lists of instants lie within the hour, each used once."""
    pairs = a = b = 0
    while a < len(then) and b < len(now):
        if abs(then[a] - now[b]) <= _SAME:
            pairs, a, b = pairs + 1, a + 1, b + 1
        elif then[a] < now[b]:
            a += 1
        else:
            b += 1
    return pairs


def _difference_text(counts: dict[Kind, int], word: str) -> str:
    if not counts:
        return f"none {word}"
    kinds = (f"{condition} {asset}" + (f", {n} times" if n > 1 else "")
             for (condition, asset), n in counts.items())
    return f"{sum(counts.values())} {word} ({'; '.join(kinds)})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One site to re-run. Every worker must see all paths; instants in ms."""

    site: str
    archive: Path
    file: Path | None
    """The site file; ``None`` where none was found."""
    change: Path | None = None
    start: int | None = None
    end: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rerun:
    """The result for one site: its events as lines of JSON, or the error."""

    site: str
    lines: tuple[str, ...] = ()
    readings: int = 0
    left_out: tuple[str, ...] = ()
    """Points in the archive whose asset the site file does not have."""
    refused: tuple[str, ...] = ()
    """Operator actions that could not be repeated, with the reason."""
    compared: Comparison | None = None
    """``None`` where the archive has no events of the site."""
    error: str = ""


def site_files(folder: Path) -> Mapping[str, Path]:
    """Return the site files in a folder and those below it, by the id of their site.

    Other files are skipped, and so are files that are not TOML: a site whose file cannot be read
    has no entry.
    """
    found: dict[str, Path] = {}
    for path in sorted([*folder.glob("*.toml"), *folder.glob("*/*.toml")]):
        try:
            site = tomllib.loads(path.read_text(encoding="utf-8-sig")).get("site")
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
            continue
        if isinstance(site, dict) and isinstance(site.get("id"), str):
            found.setdefault(site["id"], path)
    return found


def jobs(
    archive: Path, sites: Path, *, only: Iterable[str] = (), change: Path | None = None,
    start: int | None = None, end: int | None = None,
) -> list[Job]:
    """Return a job for each site of the archive, or for those of ``only``, sorted by id."""
    files = site_files(sites)
    return [
        Job(site=site, archive=archive, file=files.get(site), change=change, start=start, end=end)
        for site in (sorted(set(only)) or Archive(archive).sites())
    ]


def rerun_site(job: Job) -> Rerun:
    """Re-run one site. A mistake in its files becomes its ``error``."""
    if job.file is None:
        return Rerun(site=job.site, error="no site file that can be read has this id")
    try:
        return _rerun(job, job.file)
    except SiteFileError as error:
        return Rerun(site=job.site, error="; ".join(str(m) for m in error.mistakes))
    except QuietpipeError as error:
        return Rerun(site=job.site, error=str(error).replace("\n", "; "))
    except OSError as error:
        return Rerun(site=job.site, error=f"{error.filename}: {error.strerror}")


def _rerun(job: Job, file: Path) -> Rerun:
    config = load_site(file, secrets=False, change=job.change)
    archive, sieve = Archive(job.archive), SiteFilter(config.plant)
    monitor = SiteMonitor(plant=config.plant, settings=config.settings, step=config.step)
    then, count = list(archive.events(job.site, job.start, job.end)), _Count()
    course = ActionReplay(monitor, [e for e in then if isinstance(e, SystemEvent)])
    found = archive.readings(job.site, job.start, job.end)
    events = list(course.events(count.of(sieve.columns(found))))
    if not count.rows:
        return Rerun(site=job.site, error="the archive has no readings of it in this span")
    return Rerun(
        site=job.site, lines=tuple(event_to_json(e) for e in events), readings=count.rows,
        left_out=tuple(sieve.left_out()), refused=tuple(course.refused),
        compared=compared(then, events) if archive.has_events(job.site) else None,
    )


class _Count:
    """Passes batches on and counts their rows."""

    def __init__(self) -> None:
        self.rows = 0

    def of(self, batches: Iterable[Columns]) -> Iterator[Columns]:
        for columns in batches:
            self.rows += len(columns)
            yield columns
