"""The new good samples of one point in a batch, and the rules and estimators subscribed to it."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from collector.rules.base import ALL, SampleConsumer
from collector.rules.engine.runtime import RuleRuntime
from collector.rules.estimates import Estimator
from collector.rules.inputs import Point

if TYPE_CHECKING:
    from collector.domain.columns import Columns

__all__ = ["PointBatch", "Subscription"]

_PART = 64
"""Samples whose least and greatest are known, so that a band is skipped over in leaps."""


class Subscription:
    """One rule or estimator at one batch."""

    __slots__ = (
        "asks", "band", "each", "end", "held", "holds", "late", "limit", "many", "observe",
        "keeping", "others", "plain", "quiet", "runtime", "target", "until",
    )

    def __init__(
        self, target: SampleConsumer, runtime: RuleRuntime | None, limit: int | None,
    ) -> None:
        kind = type(target)
        self.target, self.runtime, self.limit = target, runtime, limit
        self.observe, self.many = target.observe, target.update_batch
        self.quiet = None if kind.quiet is SampleConsumer.quiet else target.quiet
        self.until = None if kind.quiet_until is SampleConsumer.quiet_until else target.quiet_until
        self.holds = None if kind.holds is SampleConsumer.holds else target.holds
        self.each = self.quiet is None and self.holds is None
        """Whether it hears every sample."""
        self.plain = self.quiet is not None and self.until is None and self.holds is None
        """Whether its band alone tells where it ends."""
        self.asks = (
            target if isinstance(target, Estimator)
            and type(target).wanted is not Estimator.wanted else None
        )
        """The estimator, where it may want to be asked."""
        self.others: list[tuple[PointBatch, Subscription]] = []
        """The same at its other points, where what it says of those may change with this one."""
        self.keeping: list[tuple[PointBatch, Subscription]] = []
        """The same at its other points where it may keep something back."""
        self.late: list[int] = []
        """Places that come too late after the one before to be passed over."""
        self.band: tuple[float, float] | None = None
        self.end = 0
        """The first place that may matter."""
        self.held: int | None = None
        """The first place that is kept back."""

    def is_quiet(self, batch: PointBatch, place: int, value: float) -> bool:
        """Whether, as things are now, it may be spared this sample."""
        quiet = self.quiet
        if quiet is None or (self.runtime is not None and self.runtime.blind):
            return False
        band = quiet(batch.name)
        if band is None or not band[0] <= value <= band[1]:
            return False
        if self.until is not None:
            until = self.until(batch.name)
            if until is not None and batch.times[place] >= until:
                return False
        return not self._is_late(place)

    def _is_late(self, place: int) -> bool:
        late = self.late
        if not late:
            return False
        found = bisect_left(late, place)
        return found < len(late) and late[found] == place

    def stays(self, name: str) -> bool:
        """Whether nothing has changed since it was last looked where it ends."""
        runtime = self.runtime
        if runtime is not None and runtime.blind:
            return self.band is None and self.held is None  # it hears every sample as it is
        if self.band is None or self.quiet is None or self.no_change_band(name) != self.band:
            return False
        return self.plain or (
            self.holds is None and self.until is not None and self.until(name) is None)

    def look(self, batch: PointBatch, place: int) -> None:
        """Find the first place from ``place`` on that may matter."""
        if self.runtime is not None and self.runtime.blind:
            self.end, self.band = place, None
            return
        if self.holds is not None:
            held = self.holds(batch.name)
            if held is not None:
                self.band = None
                low, high, until = held
                whole = low == -math.inf and high == math.inf
                self.end = self._end(batch, place, ALL if whole else (low, high), until)
                if self.end > place and self.held is None:
                    self.held = place
                return
        band = None if self.quiet is None else self.no_change_band(batch.name)
        if band is None:
            self.end, self.band = place, None
        elif band != self.band or self.end <= place or self.until is not None:
            self.band = band
            until = None if self.until is None else self.until(batch.name)
            self.end = self._end(batch, place, band, until)

    def _end(
        self, batch: PointBatch, place: int, band: tuple[float, float], until: int | None,
    ) -> int:
        stop = batch.count
        if until is not None:
            stop = bisect_left(batch.times, until, place)
        if self.late:
            found = bisect_left(self.late, place)
            if found < len(self.late):
                stop = min(stop, self.late[found])
        return batch.leaves(band, place, stop)

    def release(self, batch: PointBatch, place: int) -> None:
        """Give it what was kept back before ``place``."""
        start, self.held = self.held, None
        if start is not None and place > start:
            before = batch.before[start]
            assert before is not None  # noqa: S101 - the first of all comes too late to be held
            self.many(batch.name, batch.times[start:place], batch.values[start:place], before)


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
        """Whether somebody hears every sample."""
        self.count = self.passed = self.next_place = 0
        self.next_row = total

    def fill(self, rows: NDArray[np.int64], columns: Columns) -> None:
        """Take the samples."""
        times, values = columns.times[rows], columns.values[rows]
        self.count = len(rows)
        self.rows, self.times, self.values = rows.tolist(), times.tolist(), values.tolist()
        self.before = [self.point.at, *self.times[:-1]]
        starts = np.arange(0, self.count, _PART)
        self.lows = np.minimum.reduceat(values, starts).tolist()
        self.highs = np.maximum.reduceat(values, starts).tolist()

    def leaves(self, band: tuple[float, float], place: int, stop: int) -> int:
        """Return the first place from ``place`` to ``stop`` whose value is not within the band."""
        if band is ALL:
            return stop
        low, high = band
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
        """Take who hears it, in the order in which they hear."""
        self.subscriptions = [
            *(Subscription(runtime.rule, runtime, runtime.rule.set_gap) for runtime in runtimes),
            *(Subscription(estimator, None, None) for estimator in estimators),
        ]
        self.each = any(subscription.each for subscription in self.subscriptions)

    def learn(self, at: int) -> None:
        """Let the point learn its pace from a sample."""
        if self.learned_at is not None and self.point.spacing is not None:
            self.point.spacing.learn(at - self.learned_at)
        self.learned_at = at

    def settle(self, place: int) -> None:
        """Say that everything before ``place`` is done."""
        self.passed = place
        if not self.each:
            least = self.count
            for subscription in self.subscriptions:
                if subscription.end < least:
                    least = subscription.end
            place = least
        self._next(place)

    def bring_forward(self, place: int) -> bool:
        """Let ``place`` matter; return whether it did not matter before."""
        if place >= self.next_place:
            return False
        self._next(place)
        return self.next_row < self.total

    def _next(self, place: int) -> None:
        self.next_place = place
        self.next_row = self.rows[place] if place < self.count else self.total
