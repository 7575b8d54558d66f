"""Feeds a batch of readings to the engine; samples that change nothing are skipped.

The result is the same as if each reading had been observed by itself. A row is only examined where
it may change something: it leaves the no-change band of a rule, follows a gap, is not good, or a
rule takes every sample of its point. Between two such rows the inputs are carried forward, and
ticks run before the same readings as without batches.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable
from heapq import heapify, heappop, heappush

from collector.domain.readings import Columns
from collector.rules.engine.batch.point_batch import PointBatch, Subscription
from collector.rules.engine.batch.reading_batch import BatchEngine, ReadingBatch
from collector.rules.engine.step import RuleRuntime


class BatchFeed:
    """Feeds one engine. ``run_to`` runs the ticks up to a time and returns the next one."""

    def __init__(
        self, engine: BatchEngine, columns: Columns, run_to: Callable[[int], int | None],
    ) -> None:
        self._engine, self._rules, self._run_to = engine, engine.rules, run_to
        self._due: int | None = None
        self._readings = ReadingBatch(engine, columns)
        self._stale = self._rules.staleness.points
        self._synced = self._ticks_at = 0
        self._evaluated: list[tuple[PointBatch, Subscription]] = []
        self._heap: list[int] = []
        """Rows that may matter to the batch of their point."""

    def __repr__(self) -> str:
        return f"BatchFeed({self._engine!r}, {self._readings.count} rows)"

    def run(self, next_tick: int | None) -> int:
        """Feed the rows; return how many were fed without the engine's ``observe``.

        They are in the order of their time, all later than the engine's own. ``next_tick`` (ms) is
        the first tick that is due.
        """
        engine, readings, self._due = self._engine, self._readings, next_tick
        for batch in readings.sampled:
            for subscription in batch.subscriptions:
                if not subscription.each:
                    subscription.look(batch, 0)
            batch.settle(0)
            if batch.next_row < readings.count:
                self._heap.append(batch.next_row)
        self._heap += readings.odd
        self._wake(0)
        heapify(self._heap)
        engine.look_ahead(readings.horizon.known_until(engine.now or 0))
        self._rules.before_evaluation = self._release
        self._rows()
        self._rules.before_evaluation = None
        self._carry(readings.count)
        engine.reached(readings.times[-1])
        engine.forget_horizon()
        self._release_all(readings.count)
        self._rules.forget_bands(self._rules.runtimes)
        readings.set_received()
        return readings.count - len(readings.odd)

    def _rows(self) -> None:
        """Examine each row that may change something, after the ticks due before it."""
        heap, rules, count = self._heap, self._rules, self._readings.count
        due, stop = self._due, self._stop(0)
        while True:
            row = heap[0] if heap else count
            if stop <= row:
                if stop >= count:
                    break
                self._tick(stop)
                due, stop = self._due, self._stop(stop + 1)
                continue
            heappop(heap)
            self._apply(row)
            dirty = rules.dirty_tick
            if dirty is not None and (due is None or dirty < due):
                self._due = due = dirty
                stop = self._stop(row + 1)

    def _stop(self, row: int) -> int:
        """Return the first row from ``row`` on before which ticks must run."""
        readings, due = self._readings, self._due
        stop = readings.count if due is None else bisect_left(readings.times, due, row)
        place = bisect_left(readings.gaps, row)
        return min(stop, readings.gaps[place]) if place < len(readings.gaps) else stop

    def _tick(self, row: int) -> None:
        """Run the ticks that are due by the time of ``row``, the first of that time."""
        engine, readings = self._engine, self._readings
        now = readings.times[row]
        if row:
            engine.now = readings.times[row - 1]
        self._carry(row)
        self._ticks_at = row
        estimating = engine.estimators.is_due(now)
        if estimating:
            self._release_all(row)
        self._due = self._run_to(now)
        engine.look_ahead(readings.horizon.known_until(now))
        self._look_again(self._evaluated, row)
        self._evaluated.clear()
        if self._stale:
            self._wake(row)
        if estimating:
            self._look_again(readings.estimated, row)

    def _apply(self, row: int) -> None:
        """Apply a row that may change something."""
        readings = self._readings
        batch = readings.batch_at(row)
        if batch.next_row == row:
            self._carry(row + 1)
            self._deliver(batch, row)
        elif readings.is_odd(row):
            self._carry(row)
            self._synced = row + 1
            readings.set_received_at(row)
            self._rules.forget_bands(self._rules.subscribed.get(batch.name, ()))
            self._engine.observe(readings.reading(row))

    def _deliver(self, batch: PointBatch, row: int) -> None:
        """Deliver a sample to the subscriptions that may not skip it."""
        rules, name, place = self._rules, batch.name, batch.next_place
        value, at, before = batch.values[place], batch.times[place], batch.before[place]
        back = name in self._stale
        if back:
            self._stale.discard(name)
        for subscription in batch.subscriptions:
            if subscription.end > place:
                continue
            if subscription.held is not None:
                subscription.release(batch, place)
            if subscription.each or not subscription.skips(batch, place, value):
                if subscription.holding[0]:
                    self._release_others(subscription, row)
                news, runtime = subscription.observe(name, at, value, before), subscription.runtime
                if runtime is not None:
                    if news or runtime.blind or back:
                        rules.mark(runtime, at)
                elif subscription.reports_early is not None and subscription.reports_early.wanted:
                    self._engine.request_estimates(at)
                for of, other in subscription.others:
                    if not other.own and other.look_again(of, row):
                        heappush(self._heap, of.next_row)
            if not subscription.each:
                subscription.look(batch, place + 1)
        batch.settle(place + 1)
        if batch.next_row < batch.total:
            heappush(self._heap, batch.next_row)

    def _release_others(self, subscription: Subscription, row: int) -> None:
        """Deliver the kept samples of a rule's or estimator's other points."""
        for batch, same in subscription.others:
            if same.held is not None:
                place = bisect_left(batch.rows, row, batch.passed)
                same.release(batch, place)
                if same.end > place and same.own:
                    same.keep_batch(place)

    def _look_again(self, those: Iterable[tuple[PointBatch, Subscription]], row: int) -> None:
        for batch, subscription in those:
            if subscription.look_again(batch, row):
                heappush(self._heap, batch.next_row)

    def _release(self, runtime: RuleRuntime) -> None:
        """Deliver the kept samples of a rule before its evaluation."""
        subscribed = self._readings.by_rule.get(id(runtime), ())
        self._evaluated += subscribed
        for batch, subscription in subscribed:
            if subscription.held is not None:
                subscription.release(batch, bisect_left(batch.rows, self._ticks_at, batch.passed))

    def _release_all(self, row: int) -> None:
        for batch, subscription in self._readings.skipping:
            if subscription.held is not None:
                place = bisect_left(batch.rows, row, batch.passed)
                subscription.release(batch, place)
                subscription.look(batch, place)

    def _wake(self, row: int) -> None:
        """Have the next sample of every stale point examined."""
        for name in self._stale:
            batch = self._readings.points.get(name)
            if batch is not None and batch.count:
                batch.passed = place = bisect_left(batch.rows, row, batch.passed)
                if batch.bring_forward(place):
                    heappush(self._heap, batch.next_row)

    def _carry(self, row: int) -> None:
        """Bring the inputs up to date with the rows before ``row``."""
        start = self._synced
        if row > start:
            self._synced = row
            self._readings.carry(start, row)
