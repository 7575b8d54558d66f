"""Feeds the rules whole columns of readings: what changes nothing is passed over.

Everything comes out as if each reading had been observed by itself. A row is only looked at where
it may matter: it leaves the quiet band of a rule, it follows a gap, it is not good, or somebody
hears every sample of its point. Between two such rows the shared view of the readings is carried
forward, and ticks run before the same readings as ever.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable
from heapq import heapify, heappop, heappush
from typing import TYPE_CHECKING

from collector.rules.hearers import Hearer
from collector.rules.lanes import Lane
from collector.rules.sheet import Sheet

if TYPE_CHECKING:
    from collector.domain.columns import Columns
    from collector.rules.engine import Engine
    from collector.rules.slots import Slot

__all__ = ["ColumnFeeder"]

class ColumnFeeder:
    """Feeds one engine. ``run_to`` runs the ticks up to a time and returns the next one."""

    def __init__(
        self, engine: Engine, columns: Columns, run_to: Callable[[int], int | None],
        next_tick: int | None,
    ) -> None:
        self._engine, self._run_to, self._due = engine, run_to, next_tick
        self._sheet = Sheet(engine, columns)
        self._stale = engine.stale
        self._synced = self._ticks_at = 0
        self._judged: list[tuple[Lane, Hearer]] = []
        self._heap: list[int] = []
        """Rows that matter, each to the lane that it is of."""

    def __repr__(self) -> str:
        return f"ColumnFeeder({self._engine!r}, {self._sheet.count} rows)"

    def feed(self) -> None:
        """Take the rows: in the order of their time, all later than the engine's own."""
        engine, sheet = self._engine, self._sheet
        for lane in sheet.heard:
            for hearer in lane.hearers:
                if not hearer.each:
                    hearer.look(lane, 0)
            lane.settle(0)
            if lane.next_row < sheet.count:
                self._heap.append(lane.next_row)
        self._heap += sheet.odd
        self._wake(0)
        heapify(self._heap)
        engine.look_ahead(sheet.foresight.heard_until(engine.now or 0))
        engine.before_judging = self._hand_over_to
        self._rows()
        engine.before_judging = None
        self._carry(sheet.count)
        engine.arrive(sheet.times[-1])
        engine.look_ahead_no_more()
        self._hand_all_over(sheet.count)
        sheet.heard_all()
        engine.count(sheet.count - len(sheet.odd))

    def _rows(self) -> None:
        """Go from row to row that matters, and run the ticks that are due before each."""
        heap, engine, count = self._heap, self._engine, self._sheet.count
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
            self._take(row)
            dirty = engine.dirty_tick
            if dirty is not None and (due is None or dirty < due):
                self._due = due = dirty
                stop = self._stop(row + 1)

    def _stop(self, row: int) -> int:
        """Return the first row from ``row`` on before which ticks must run."""
        sheet, due = self._sheet, self._due
        stop = sheet.count if due is None else bisect_left(sheet.times, due, row)
        place = bisect_left(sheet.gaps, row)
        return min(stop, sheet.gaps[place]) if place < len(sheet.gaps) else stop

    def _tick(self, row: int) -> None:
        """Run the ticks that are due by the time of ``row``, the first of that time."""
        engine, sheet = self._engine, self._sheet
        now = sheet.times[row]
        if row:
            engine.now = sheet.times[row - 1]
        self._carry(row)
        self._ticks_at = row
        asked = engine.asks(now)
        if asked:
            self._hand_all_over(row)
        self._due = self._run_to(now)
        engine.look_ahead(sheet.foresight.heard_until(now))
        for lane, hearer in self._judged:
            self._look(lane, hearer, row)
        self._judged.clear()
        if self._stale:
            self._wake(row)
        if asked:
            self._look_again(sheet.estimated, row)

    def _take(self, row: int) -> None:
        """Take a row that may matter."""
        sheet = self._sheet
        lane = sheet.lane_at(row)
        if lane.next_row == row:
            self._carry(row + 1)
            self._hear(lane, row)
        elif sheet.is_odd(row):
            self._carry(row)
            self._synced = row + 1
            sheet.heard_at(row)
            self._engine.observe(sheet.reading(row))

    def _hear(self, lane: Lane, row: int) -> None:
        """Give a sample to those to whom it may matter."""
        engine, name, place = self._engine, lane.name, lane.next_place
        value, at, before = lane.values[place], lane.times[place], lane.before[place]
        back = name in self._stale
        if back:
            self._stale.discard(name)
        for hearer in lane.hearers:
            if hearer.end > place:
                continue
            if hearer.held is not None:
                hearer.hand_over(lane, place)
            if hearer.each or not hearer.is_quiet(lane, place, value):
                if hearer.keeping:
                    self._hand_others_over(hearer, row)
                news, slot = hearer.observe(name, at, value, before), hearer.slot
                if slot is not None:
                    if news or slot.blind or back:
                        engine.mark(slot, at)
                elif hearer.asks is not None and hearer.asks.wanted:
                    engine.ask(at)
                if hearer.others:
                    self._look_again(hearer.others, row)
            if not hearer.each:
                hearer.look(lane, place + 1)
        lane.settle(place + 1)
        if lane.next_row < lane.total:
            heappush(self._heap, lane.next_row)

    def _hand_others_over(self, hearer: Hearer, row: int) -> None:
        """Give a rule or an estimator what it let be kept back of its other points."""
        for lane, same in hearer.keeping:
            if same.held is not None:
                place = bisect_left(lane.rows, row, lane.passed)
                same.hand_over(lane, place)
                if not hearer.others and same.end > place:
                    same.held = place  # nobody looks again: it says of this point what it said

    def _look_again(self, those: Iterable[tuple[Lane, Hearer]], row: int) -> None:
        """Find anew where the bands of a rule end that has heard something."""
        for lane, hearer in those:
            if not hearer.stays(lane.name):
                self._look(lane, hearer, row)

    def _look(self, lane: Lane, hearer: Hearer, row: int) -> None:
        lane.passed = place = bisect_left(lane.rows, row, lane.passed)
        hearer.look(lane, place)
        if lane.bring_forward(hearer.end):
            heappush(self._heap, lane.next_row)

    def _hand_over_to(self, slot: Slot) -> None:
        """Give a rule that is about to be judged what it let be kept back."""
        heard = self._sheet.by_slot.get(id(slot), ())
        self._judged += heard
        for lane, hearer in heard:
            if hearer.held is not None:
                hearer.hand_over(lane, bisect_left(lane.rows, self._ticks_at, lane.passed))

    def _hand_all_over(self, row: int) -> None:
        for lane, hearer in self._sheet.keeping:
            if hearer.held is not None:
                place = bisect_left(lane.rows, row, lane.passed)
                hearer.hand_over(lane, place)
                hearer.look(lane, place)

    def _wake(self, row: int) -> None:
        """Let the next sample of what has gone stale matter, whatever it is."""
        for name in self._stale:
            lane = self._sheet.lanes.get(name)
            if lane is not None and lane.count:
                lane.passed = place = bisect_left(lane.rows, row, lane.passed)
                if lane.bring_forward(place):
                    heappush(self._heap, lane.next_row)

    def _carry(self, row: int) -> None:
        """Carry the shared view of the readings forward over the rows before ``row``."""
        start = self._synced
        if row > start:
            self._synced = row
            self._sheet.carry(start, row)
