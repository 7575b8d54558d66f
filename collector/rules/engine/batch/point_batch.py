"""The new good samples of one point in a batch, and the rules and estimators subscribed to it."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from collector.rules.base import Band, Estimator, SampleConsumer
from collector.rules.engine.step import RuleRuntime
from collector.rules.inputs import Point

if TYPE_CHECKING:
    from collector.domain.readings import Columns

_PART = 64
"""Samples per part with a known minimum and maximum, by which a band is searched."""


class Subscription:
    """The samples of one point for one rule or estimator, and how far it may skip them."""

    __slots__ = (
        "band", "each", "end", "held", "holding", "late", "limit", "no_change_band", "observe",
        "others", "own", "reports_early", "runtime", "target",
    )

    def __init__(
        self, target: SampleConsumer, runtime: RuleRuntime | None, limit: int | None,
    ) -> None:
        kind = type(target)
        self.target, self.runtime, self.limit = target, runtime, limit
        self.observe, self.no_change_band = target.observe, target.no_change_band
        self.each = kind.no_change_band is SampleConsumer.no_change_band
        """Whether it takes every sample."""
        self.reports_early = (
            target if isinstance(target, Estimator)
            and type(target).wanted is not Estimator.wanted else None
        )
        """The estimator, where it may have an estimate before midnight."""
        self.others: list[tuple[PointBatch, Subscription]] = []
        """Subscriptions of the same target to its other points."""
        self.holding = [0]
        """How many subscriptions of the same target keep samples back."""
        self.own = False
        """Whether no sample of another point changes the band."""
        self.late: list[int] = []
        """Places of samples that follow a gap."""
        self.band: Band | None = None
        self.end = 0
        """The first place that may matter."""
        self.held: int | None = None
        """The first place that is kept back."""

    def skips(self, batch: PointBatch, place: int, value: float) -> bool:
        """Whether the target may skip this sample, by its present band."""
        if self.each or (self.runtime is not None and self.runtime.blind):
            return False
        band = self.no_change_band(batch.name)
        return (
            band is not None and not band.counted and band.low <= value <= band.high
            and (band.until is None or batch.times[place] < band.until)
            and not self._is_late(place)
        )

    def _is_late(self, place: int) -> bool:
        late = self.late
        if not late:
            return False
        found = bisect_left(late, place)
        return found < len(late) and late[found] == place

    def _current(self, name: str) -> Band | None:
        blind = self.runtime is not None and self.runtime.blind
        return None if blind else self.no_change_band(name)

    def look(self, batch: PointBatch, place: int) -> None:
        """Find the first sample from ``place`` on that must not be skipped."""
        band = self._current(batch.name)
        if band is None:
            self.band, self.end, self.own = None, place, False
            return
        if band != self.band or self.end <= place:
            self.band, self.own = band, band.own
            stop = batch.count
            if band.until is not None:
                stop = bisect_left(batch.times, band.until, place)
            if self.late:
                found = bisect_left(self.late, place)
                if found < len(self.late):
                    stop = min(stop, self.late[found])
            self.end = batch.leaves(band, place, stop)
        if band.counted and self.end > place and self.held is None:
            self.keep_batch(place)

    def look_again(self, batch: PointBatch, row: int) -> bool:
        """Search again from ``row`` on, if the target changed its band; return whether it did."""
        band = self._current(batch.name)
        counted = band is not None and band.counted
        if band == self.band and counted is (self.held is not None):
            return False
        batch.passed = place = bisect_left(batch.rows, row, batch.passed)
        self.look(batch, place)
        return batch.bring_forward(self.end)

    def keep_batch(self, place: int) -> None:
        """Keep the samples from ``place`` on for one batch."""
        self.held = place
        self.holding[0] += 1

    def release(self, batch: PointBatch, place: int) -> None:
        """Deliver the kept samples before ``place``."""
        start, self.held = self.held, None
        if start is None:
            return
        self.holding[0] -= 1
        if place > start:
            before = batch.before[start]
            assert before is not None  # noqa: S101 - the first of all follows a gap: not kept back
            self.target.update_batch(
                batch.name, batch.times[start:place], batch.values[start:place], before)


class PointBatch:
    """The new good samples of one point."""

    __slots__ = (
        "before", "count", "each", "highs", "learned_at", "lows", "name", "next_place", "next_row",
        "passed", "point", "rows", "subscriptions", "times", "total", "values",
    )

    def __init__(self, point: Point, total: int) -> None:
        self.name, self.point, self.total = point.name, point, total
        self.rows: list[int] = []
        self.times: list[int] = []
        self.values: list[float] = []
        self.before: list[int | None] = []
        self.lows: list[float] = []
        self.highs: list[float] = []
        self.subscriptions: list[Subscription] = []
        self.learned_at = point.at
        """Up to when the pace of the point is learned."""
        self.each = False
        """Whether a subscription takes every sample."""
        self.count = self.passed = self.next_place = 0
        self.next_row = total

    def fill(self, rows: NDArray[np.int64], columns: Columns) -> None:
        """Set the samples."""
        times, values = columns.times[rows], columns.values[rows]
        self.count = len(rows)
        self.rows, self.times, self.values = rows.tolist(), times.tolist(), values.tolist()
        self.before = [self.point.at, *self.times[:-1]]
        starts = np.arange(0, self.count, _PART)
        self.lows = np.minimum.reduceat(values, starts).tolist()
        self.highs = np.maximum.reduceat(values, starts).tolist()

    def leaves(self, band: Band, place: int, stop: int) -> int:
        """Return the first place from ``place`` to ``stop`` whose value is not within the band."""
        low, high = band.low, band.high
        if low == -math.inf and high == math.inf:
            return stop
        values, lows, highs = self.values, self.lows, self.highs
        while place < stop:
            part = place // _PART
            end = (part + 1) * _PART
            if lows[part] >= low and highs[part] <= high:
                place = end
                continue
            end = min(end, stop)
            while place < end:
                if not low <= values[place] <= high:
                    return place
                place += 1
        return stop

    def subscribe(self, runtimes: Iterable[RuleRuntime], estimators: Iterable[Estimator]) -> None:
        """Subscribe rules and then estimators, in the order in which they take samples."""
        self.subscriptions = [
            *(Subscription(runtime.rule, runtime, runtime.rule.set_gap) for runtime in runtimes),
            *(Subscription(estimator, None, None) for estimator in estimators),
        ]
        self.each = any(subscription.each for subscription in self.subscriptions)

    def learn(self, at: int) -> None:
        """Learn the point's spacing from a sample."""
        if self.learned_at is not None and self.point.spacing is not None:
            self.point.spacing.learn(at - self.learned_at)
        self.learned_at = at

    def settle(self, place: int) -> None:
        """Find the next sample that must not be skipped; all before ``place`` are delivered."""
        self.passed = place
        if not self.each:
            least = self.count
            for subscription in self.subscriptions:
                if subscription.end < least:
                    least = subscription.end
            place = least
        self._next(place)

    def bring_forward(self, place: int) -> bool:
        """Have ``place`` examined; return whether it was to be skipped before."""
        if place >= self.next_place:
            return False
        self._next(place)
        return self.next_row < self.total

    def _next(self, place: int) -> None:
        self.next_place = place
        self.next_row = self.rows[place] if place < self.count else self.total
