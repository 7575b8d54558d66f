"""The data of a report, read once from the journal while the monitor may go on writing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol
from zoneinfo import ZoneInfo

from collector.alarms.performance import Measures, Occurrence, measure, occurrences
from collector.domain.actions import Baseline
from collector.domain.conditions import CATALOGUE, ConditionSettings, limit_of
from collector.domain.evaluations import NotMonitored, missing_here
from collector.domain.events import AlarmTransition, EstimateMade, Event, SystemEvent
from collector.domain.plant import Plant, Thing
from collector.domain.readings import Quantity, Reading, TrendStep, point_kind, split_point
from collector.domain.units import DAY, HOUR, MINUTE
from collector.plots import Axis, Bars, Plot, axis_of

_NEAR = 30 * MINUTE
"""ms around the hour in which a reading counts as the gauge's."""
_FINE = 3 * DAY
"""Longest period with steps of 5 minutes; longer ones have steps of an hour."""
_LONG = 100 * DAY
"""Longest period with steps of an hour; longer ones have steps of three."""


class _Stored(Protocol):
    @property
    def event(self) -> Event: ...


class History(Protocol):
    """The part of the journal that a report reads."""

    def trend(self, point: str, start: int, end: int, step: int) -> list[TrendStep]:
        """Return least, mean and greatest of each step; see the journal."""

    def readings(
        self, points: Sequence[str] | None, start: int | None, end: int | None,
    ) -> Iterator[Reading]:
        """Yield readings in time order."""

    def events(
        self, *, start: int | None = None, end: int | None = None, kind: str | None = None,
    ) -> Iterable[_Stored]:
        """Yield events in the order they were committed."""

    def points(self) -> list[str]:
        """Return every point that ever had a reading."""

    def span(self) -> tuple[int, int] | None:
        """Return the first and the last instant with a reading."""

    def meta(self, key: str) -> str | None:
        """Return the value stored under ``key``."""


def title_of(condition: str) -> str:
    """Return the title of a condition; its id where this version does not know it."""
    known = CATALOGUE.get(condition)
    return known.title if known is not None else condition.replace("-", " ").capitalize()


class ReportData:
    """The data of one period (ms, end exclusive), as of ``made``."""

    def __init__(
        self, *, plant: Plant, settings: ConditionSettings, history: History, start: int,
        end: int, made: int, not_monitored: Sequence[NotMonitored] = (),
        baselines: Sequence[Baseline] = (),
    ) -> None:
        self.plant, self.settings, self.made = plant, settings, made
        self.start, self.end = start, end
        self.zone = ZoneInfo(plant.site.timezone)
        self.not_monitored = tuple(missing_here(not_monitored))
        self.baselines = tuple(baselines)
        self._history = history
        self._trends: dict[str, list[TrendStep]] = {}
        span = end - start
        self.step = 300_000 if span <= _FINE else HOUR if span <= _LONG else 3 * HOUR
        self.moves: tuple[AlarmTransition, ...] = tuple(
            s.event for s in history.events(end=end, kind="alarm")
            if isinstance(s.event, AlarmTransition))
        self._facts: list[SystemEvent] = []
        self._estimates: dict[tuple[str, str], list[EstimateMade]] = {}
        for stored in history.events(start=start, end=end + 1):
            self._sort(stored.event)

    def __repr__(self) -> str:
        return f"ReportData({self.plant.site.id}, {self.start} to {self.end})"

    def limit(self, condition: str, asset: str) -> float | None:
        """Return the limit of a condition's alarm, in the unit of record."""
        return limit_of(condition, asset, self.plant, self.settings)

    def _sort(self, event: Event) -> None:
        if isinstance(event, SystemEvent):
            self._facts.append(event)
        elif isinstance(event, EstimateMade):
            self._estimates.setdefault((event.quantity, event.asset), []).append(event)

    @cached_property
    def occurrences(self) -> list[Occurrence]:
        """Every alarm that was raised before the end, also long before the start."""
        return occurrences(self.moves)

    @cached_property
    def measures(self) -> Measures:
        """The measures of the alarm system over the period."""
        return measure(self.moves, self.start, self.end)

    @property
    def active(self) -> list[Occurrence]:
        """Alarms active at the end, the most urgent first."""
        order = {"high": 0, "medium": 1, "low": 2}
        return sorted(self.measures.active, key=lambda o: (order[o.priority], o.raised))

    def of_asset(self, asset: str) -> list[Occurrence]:
        """Return the alarms of one asset that were active at any time of the period."""
        return [o for o in self.occurrences if o.asset == asset
                and (o.ended is None or o.ended > self.start)]

    def facts(self, *kinds: str) -> list[SystemEvent]:
        """Return the facts of the period whose kind begins with one of ``kinds``, all for none."""
        return [f for f in self._facts if not kinds or f.fact.startswith(kinds)]

    def facts_of(self, kinds: Sequence[str]) -> list[SystemEvent]:
        """Return every event of some kinds before the end, also before the start, oldest first."""
        found = [s.event for kind in kinds for s in self._history.events(end=self.end, kind=kind)]
        return sorted((f for f in found if isinstance(f, SystemEvent)), key=lambda f: f.time)

    @cached_property
    def acceptances(self) -> list[SystemEvent]:
        """Return every signed acceptance on record before the end, the newest first."""
        found = [s.event for s in self._history.events(end=self.end, kind="acceptance-signed")]
        return [f for f in reversed(found) if isinstance(f, SystemEvent)]

    # -- readings

    @cached_property
    def points(self) -> tuple[str, ...]:
        """Every configured or read point of the assets, in the order of the gas flow."""
        seen = set(self._history.points())
        order = {t.id: n for n, t in enumerate(self.plant.things())}
        configured = {p for d in self.plant.devices.values() for p in d.points}
        return tuple(sorted((p for p in seen | configured if split_point(p)[0] in order),
                            key=lambda p: (order[split_point(p)[0]], p)))

    @cached_property
    def first(self) -> int | None:
        """Instant (ms) of the journal's first reading."""
        span = self._history.span()
        return None if span is None else span[0]

    def trend(self, point: str) -> list[TrendStep]:
        """Return the point's steps over the period; read once."""
        if point not in self._trends:
            self._trends[point] = self._history.trend(point, self.start, self.end, self.step)
        return self._trends[point]

    def has(self, point: str) -> bool:
        """Whether the point has any good reading in the period."""
        return any(step.count for step in self.trend(point))

    def at(self, points: Sequence[str], instant: int) -> dict[str, Reading]:
        """Return each point's good reading nearest to an instant, within half an hour of it."""
        found: dict[str, Reading] = {}
        for reading in self._history.readings(points, instant - _NEAR, instant + _NEAR):
            best = found.get(reading.point)
            if reading.usable is not None and (
                best is None or abs(reading.time - instant) < abs(best.time - instant)
            ):
                found[reading.point] = reading
        return found

    # -- estimates

    def estimates(self, quantity: str, asset: str) -> list[EstimateMade]:
        """Return the estimates of one quantity whose windows end in the period, in order."""
        return [e for e in self._estimates.get((quantity, asset), ()) if e.value is not None]

    def assets_with(self, quantity: str) -> list[str]:
        """Return the assets that have this quantity, in the order of the gas flow."""
        order = {t.id: n for n, t in enumerate(self.plant.things())}
        found = [a for q, a in self._estimates if q == quantity and self.estimates(q, a)]
        return sorted(found, key=lambda a: (order.get(a, len(order)), a))

    def reasons(self, quantity: str, asset: str) -> list[str]:
        """Return the reasons for missing estimates, each once, the latest first."""
        reasons = [e.reason for e in self._estimates.get((quantity, asset), ()) if e.value is None]
        return list(dict.fromkeys(reversed(reasons)))

    def windows(self, quantity: str, asset: str) -> list[EstimateMade]:
        """Return estimates whose windows do not overlap, so that they may be added up.

        A window that began before the period is not part of it.
        """
        kept: list[EstimateMade] = []
        reached = self.start
        for made in self.estimates(quantity, asset):
            if made.window is not None and made.window[0] >= reached:
                kept.append(made)
                reached = made.window[1]
        return kept

    # -- names and units

    def name(self, asset: str) -> str:
        """Return the name of an asset; a contact is named by its asset and the point."""
        name = self.plant.name_of(asset)
        thing, dot, quantity = asset.rpartition(".")
        if name == asset and dot and self.plant.name_of(thing) != thing:
            return f"{self.plant.name_of(thing)}, {quantity.replace('_', ' ')}"
        return name

    def site_or_name(self, asset: str) -> str:
        """Return the name of an asset, or of the site."""
        return self.plant.site.name if asset == self.plant.site.id else self.name(asset)

    def quantity(self, point: str) -> Quantity:
        """Return the quantity of a point of a known asset."""
        thing, name = split_point(point)
        known: Thing | None = self.plant.thing(thing)
        found = point_kind(known.kind, name) if known is not None else None
        return found if found is not None else Quantity(unit="", label=name.replace("_", " "))

    def axis(self, point: str) -> Axis:
        """Return the value axis of a point, in the site's units."""
        return axis_of(self.quantity(point), self.plant.site.units)


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading of level 1 to 3."""

    text: str
    level: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """A paragraph; ``soft`` for what explains, ``strong`` for what matters most."""

    text: str
    soft: bool = False
    strong: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Bullets:
    """A list, numbered where the order matters."""

    items: Sequence[str]
    numbered: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows under a header; ``align`` has L or R for each column, L where it has none."""

    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    widths: Sequence[float]
    align: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairs:
    """Names with their values."""

    pairs: Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A plot or strips; its title is its caption."""

    figure: Plot | Bars


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """Lines in a frame, such as the cautions."""

    title: str
    lines: Sequence[str]


Block = Heading | Paragraph | Bullets | Table | Pairs | Figure | Box


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A whole report. ``start``, ``end`` and ``made`` are ms since 1970 UTC."""

    title: str
    site: str
    period: str
    zone: str
    start: int
    end: int
    made: int
    version: str
    blocks: Sequence[Block]
