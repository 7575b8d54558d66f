"""A batch of readings cut into one batch per point, with the effect of each row on the inputs.

What does not depend on a rule is computed for a whole column at once: which samples are new and
good, how far each lies behind the one before, which of them move their source.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from collector.domain.readings import Columns, Reading, readings_of
from collector.rules.base import Estimator
from collector.rules.engine.batch.horizon import StalenessHorizon
from collector.rules.engine.batch.point_batch import PointBatch, Subscription
from collector.rules.engine.estimator_schedule import EstimatorSchedule
from collector.rules.engine.rule_schedule import RuleSchedule
from collector.rules.engine.step import RuleRuntime
from collector.rules.inputs import Inputs, Point, Spacing

_Rows = tuple[Point, NDArray[np.int64]]
"""A point, and the rows that are new and good samples of it."""
_T = TypeVar("_T")
_NEVER = 2**62

_ANSWERED, _MOVED, _NUMBER, _LEARNS = 1, 2, 4, 8
"""Effects of a row on its source: first answer of its time, change, number, learned spacing."""


class BatchEngine(Protocol):
    """The engine as a batch uses it."""

    inputs: Inputs
    rules: RuleSchedule
    estimators: EstimatorSchedule
    now: int | None

    def consumers(self, name: str) -> tuple[list[RuleRuntime], list[Estimator]]:
        """Return the rules and the estimators that take samples of a point."""

    def observe(self, reading: Reading) -> None:
        """Apply one reading, after the ticks that are due before it."""

    def reached(self, now: int) -> None:
        """Set the engine's time to ``now``; all due ticks have run."""

    def look_ahead(self, until: int) -> None:
        """Skip the checks for stale inputs before ``until`` (ms)."""

    def forget_horizon(self) -> None:
        """Check for stale inputs again."""

    def request_estimates(self, at: int) -> None:
        """Have the estimators that are ready make an estimate at the next tick."""


class ReadingBatch:
    """The batches of all points of some columns, and the effect of each row on the inputs."""

    def __init__(self, engine: BatchEngine, columns: Columns) -> None:
        self._columns = columns
        self.count = len(columns)
        self._cut_frames(engine.inputs.surely_seen())
        usable = columns.good & np.isfinite(columns.values)
        new, effects = np.zeros(self.count, bool), np.zeros(self.count, np.int8)
        self.points: dict[str, PointBatch] = {}
        self._codes: dict[int, PointBatch] = {}
        rows_of: dict[int, list[_Rows]] = {}
        sampled = []
        for code in np.flatnonzero(np.bincount(columns.points)).tolist():
            point, rows = self._point_batch(engine, columns.names[code], code, usable, new)
            if len(rows):
                rows_of.setdefault(id(point.source), []).append((point, rows))
                sampled.append((point, columns.times[rows]))
        for of_source in rows_of.values():
            self._find_effects(effects, of_source)
        self.horizon = StalenessHorizon(engine.inputs, sampled)
        self.odd: list[int] = np.flatnonzero(~new).tolist()
        """Rows that are not good or not new."""
        self._odd = frozenset(self.odd)
        self.times: list[int] = columns.times.tolist()
        self._values: list[float] = columns.values.tolist()
        self._points = self._at_each_row(lambda batch: batch.point)
        self._batches = self._at_each_row(lambda batch: batch)
        effective = np.flatnonzero(effects)
        self._effective: list[int] = effective.tolist()
        self._effects: list[int] = effects[effective].tolist()
        self._applied = 0
        self.by_rule: dict[int, list[tuple[PointBatch, Subscription]]] = {}
        self._link()

    def _at_each_row(self, of: Callable[[PointBatch], _T]) -> list[_T]:
        table = np.empty(len(self._columns.names), object)
        for code, batch in self._codes.items():
            table[code] = of(batch)
        found: list[_T] = table[self._columns.points].tolist()
        return found

    def _cut_frames(self, seen: int) -> None:
        """Find which rows are of one time, and which follow a gap."""
        times = self._columns.times
        steps = np.diff(times)
        self._frames = np.concatenate([[0], np.cumsum(steps != 0)])
        self.gaps: list[int] = (np.flatnonzero(steps > seen) + 1).tolist()
        """Rows after which a stretch without readings may count as downtime of the engine."""

    def _point_batch(
        self, engine: BatchEngine, name: str, code: int, usable: NDArray[np.bool_],
        new: NDArray[np.bool_],
    ) -> _Rows:
        columns = self._columns
        point = engine.inputs.point(name)
        rows = np.flatnonzero(columns.points == code)
        times = columns.times[rows]
        fresh = usable[rows]
        fresh[1:] &= times[1:] != times[:-1]
        rows = rows[fresh]
        new[rows] = True
        batch = self.points[name] = self._codes[code] = PointBatch(point, self.count)
        if len(rows):
            batch.fill(rows, columns)
            batch.subscribe(*engine.consumers(name))
            self._late(batch, columns.times[rows])
        return point, rows

    def _late(self, batch: PointBatch, times: NDArray[np.int64]) -> None:
        """Find the samples that follow a gap, by the gap of each subscription."""
        point = batch.point
        gaps = np.empty(len(times), np.int64)
        gaps[1:] = np.diff(times)
        gaps[0] = _NEVER if point.at is None else times[0] - point.at
        own: Any = point.max_gap()
        if point.source.every is None and point.spacing is not None:
            own = np.array(_limits(point, gaps.tolist()), np.int64)
        known: dict[int | None, list[int]] = {}
        for subscription in batch.subscriptions:
            if subscription.limit not in known:
                limit = own if subscription.limit is None else subscription.limit
                known[subscription.limit] = np.flatnonzero(gaps > limit).tolist()
            subscription.late = known[subscription.limit]

    def _find_effects(self, effects: NDArray[np.int8], of_source: list[_Rows]) -> None:
        """Mark the effects of the rows of one source."""
        moved = []
        for point, rows in of_source:
            values = self._columns.values[rows]
            differs = np.empty(len(rows), bool)
            differs[1:] = values[1:] != values[:-1]
            differs[0] = point.value is None or values[0] != point.value
            moved.append(rows[differs])
            if point.spacing is not None:
                effects[rows] |= _LEARNS
        answered = [rows for _, rows in of_source]
        numbers = [rows for point, rows in of_source if point.is_number]
        for effect, parts in ((_ANSWERED, answered), (_MOVED, moved), (_NUMBER, numbers)):
            effects[self._first_of_frames(parts)] |= effect

    def _first_of_frames(self, parts: list[NDArray[np.int64]]) -> NDArray[np.int64]:
        marked = np.zeros(self.count, bool)
        for part in parts:
            marked[part] = True
        rows: NDArray[np.int64] = np.flatnonzero(marked)
        first = np.ones(len(rows), bool)
        frames = self._frames[rows]
        first[1:] = frames[1:] != frames[:-1]
        found: NDArray[np.int64] = rows[first]
        return found

    def _link(self) -> None:
        """Link the subscriptions of one target at its points."""
        self.sampled = [b for b in self.points.values() if b.count and b.subscriptions]
        places: dict[int, list[tuple[PointBatch, Subscription]]] = {}
        for batch in self.sampled:
            for subscription in batch.subscriptions:
                places.setdefault(id(subscription.target), []).append((batch, subscription))
        self.estimated: list[tuple[PointBatch, Subscription]] = []
        self.skipping: list[tuple[PointBatch, Subscription]] = []
        for found in places.values():
            mine = [(batch, subscription) for batch, subscription in found if not subscription.each]
            holding = [0]
            for _, subscription in found:
                subscription.holding = holding
                subscription.others = [other for other in mine if other[1] is not subscription]
            self.skipping += mine
            runtime = found[0][1].runtime
            if runtime is None:
                self.estimated += mine
            else:
                self.by_rule[id(runtime)] = mine

    def batch_at(self, row: int) -> PointBatch:
        return self._batches[row]

    def is_odd(self, row: int) -> bool:
        """Whether a row is not good or not new."""
        return row in self._odd

    def reading(self, row: int) -> Reading:
        """Return a row as a reading; one that is not good has no value."""
        return readings_of(self._columns.take(slice(row, row + 1)))[0]

    # -- the inputs ------------------------------------------------------------------------------

    def carry(self, start: int, end: int) -> None:
        """Carry the inputs forward over rows that are all good and new."""
        self._apply_effects(end)
        for point, at, value in zip(
            self._points[start:end], self.times[start:end], self._values[start:end], strict=True,
        ):
            point.value = value
            point.at = at

    def _apply_effects(self, end: int) -> None:
        """Apply the effects of the rows before ``end`` to their sources."""
        rows, place, count = self._effective, self._applied, len(self._effective)
        while place < count and rows[place] < end:
            row, effect = rows[place], self._effects[place]
            place += 1
            at, source = self.times[row], self._points[row].source
            if effect & _LEARNS:
                self._batches[row].learn(at)
            if effect & _MOVED:
                source.moved_at = at
            if effect & _NUMBER:
                source.number_at = at
            if effect & _ANSWERED:
                if source.spacing is not None and source.good_at is not None:
                    source.spacing.learn(at - source.good_at)
                source.good_at = source.base_at = at
        self._applied = place

    def set_received_at(self, row: int) -> None:
        """Set the time of the last sample of any quality, for the point of a row."""
        _set_received(self._points[row])

    def set_received(self) -> None:
        """Set the time of the last sample of any quality, for every point."""
        for batch in self.points.values():
            _set_received(batch.point)


def _set_received(point: Point) -> None:
    # Rows carried forward are good: the time of the last sample of any quality is their own.
    if point.at is not None and (point.heard_at is None or point.heard_at < point.at):
        point.heard_at = point.at


def _limits(point: Point, gaps: list[int]) -> list[int]:
    """Return the longest unbroken gap as it will be at each sample, for a pace that is learned."""
    known = point.spacing or Spacing()
    trial = Point(point.name, point.source, spacing=Spacing(known.ms, known.count))
    limits = []
    for gap in gaps:
        if gap != _NEVER and trial.spacing is not None:
            trial.spacing.learn(gap)
        limits.append(trial.max_gap())
    return limits
