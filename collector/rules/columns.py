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

__all__ = ["ColumnFeeder"]

_FEW = 64
"""Rows up to which carrying forward one by one is quicker than looking each point up."""


class ColumnFeeder:
    """Feeds one engine. ``run_to`` runs the ticks up to a time, ``next_tick`` names the next."""

    def __init__(
        self, engine: Engine, columns: Columns, run_to: Callable[[int], None],
        next_tick: Callable[[], int | None],
    ) -> None:
        self._engine, self._run_to, self._next_tick = engine, run_to, next_tick
        self._sheet = Sheet(engine, columns)
        self._synced = 0
        self._odd = 0
        self._heap: list[int] = []

    def __repr__(self) -> str:
        return f"ColumnFeeder({self._engine!r}, {self._sheet.count} rows)"

    def feed(self) -> None:
        """Take the rows: in the order of their time, all later than the engine's own."""
        engine, sheet = self._engine, self._sheet
        engine.judged.clear()
        for lane in sheet.heard:
            for hearer in lane.hearers:
                hearer.look(lane, 0)
            lane.settle(0)
            if lane.next_row < sheet.count:
                self._heap.append(lane.next_row)
        self._wake(0)
        heapify(self._heap)
        self._frames()
        self._carry(sheet.count)
        self._hand_all_over(sheet.count)
        engine.count(sheet.count - len(sheet.odd))

    def _next_event(self) -> int:
        row = self._heap[0] if self._heap else self._sheet.count
        odd = self._sheet.odd
        return odd[self._odd] if self._odd < len(odd) and odd[self._odd] < row else row

    def _frames(self) -> None:
        """Go from frame to frame (rows of one time) where something happens."""
        sheet, engine = self._sheet, self._engine
        times, starts, gaps = sheet.frame_times, sheet.frame_starts, [*sheet.gaps, len(
            sheet.frame_times)]
        last, gap, frame = len(times), 0, 0
        due = self._next_tick()
        while frame < last:
            row = self._next_event()
            if row >= starts[frame + 1]:
                frame = self._pass(frame, min(sheet.frame_of(row), gaps[gap]), due)
                if frame >= last:
                    break
            now = times[frame]
            if frame == gaps[gap] or (due is not None and due <= now):
                gap += frame == gaps[gap]
                self._carry(starts[frame])
                asked = engine.asks(now)
                if asked:
                    self._hand_all_over(starts[frame])
                self._run_to(now)
                self._after_ticks(starts[frame])
                if asked:
                    self._look_again(sheet.estimated, starts[frame])
                due = self._next_tick()
            engine.now = now
            end = starts[frame + 1]
            if self._next_event() < end:
                self._events(end)
                dirty = engine.dirty_tick
                if dirty is not None and (due is None or dirty < due):
                    due = dirty
            frame += 1
        engine.now = times[-1]

    def _pass(self, frame: int, stop: int, due: int | None) -> int:
        """Pass over frames in which nothing matters and no tick is due; return the next."""
        times = self._sheet.frame_times
        if due is not None and due <= times[min(stop, len(times) - 1)]:
            stop = min(stop, bisect_left(times, due, frame))
        if stop > frame:
            self._engine.now = times[stop - 1]
        return max(stop, frame)

    def _events(self, end: int) -> None:
        """Take what matters of the rows before ``end``."""
        heap, odd, sheet = self._heap, self._sheet.odd, self._sheet
        count, odds = sheet.count, len(odd)
        while True:
            row = heap[0] if heap else count
            if self._odd < odds and odd[self._odd] < row:
                row = odd[self._odd]
                if row >= end:
                    return
                self._odd += 1
                self._carry(row)
                self._synced = row + 1
                self._engine.observe(sheet.reading(row))
                continue
            if row >= end:
                return
            heappop(heap)
            lane = sheet.lane_at(row)
            if lane.next_row == row:
                self._carry(row + 1)
                self._hear(lane, row)

    def _hear(self, lane: Lane, row: int) -> None:
        engine, name, place = self._engine, lane.name, lane.next_place
        value, at, before = lane.values[place], lane.times[place], lane.before[place]
        back = name in engine.stale
        if back:
            engine.stale.discard(name)
        for hearer in lane.hearers:
            if hearer.alone:
                # By far the most that is heard: nothing but this sample has to do with it.
                slot = hearer.slot
                news = hearer.observe(name, at, value, before)
                if slot is not None:
                    if news or slot.blind or back:
                        engine.mark(slot, at)
                elif hearer.asks is not None and hearer.asks.wanted:
                    engine.ask(at)
                continue
            if hearer.end > place:
                continue
            if hearer.held is not None:
                hearer.hand_over(lane, place)
            if hearer.each or not hearer.is_quiet(lane, place, value):
                self._give(hearer, lane, row, place, back)
            hearer.look(lane, place + 1)
        lane.settle(place + 1)
        if lane.next_row < lane.total:
            heappush(self._heap, lane.next_row)

    def _give(self, hearer: Hearer, lane: Lane, row: int, place: int, back: bool) -> None:
        """Let a rule or an estimator observe a sample; then look anew at its other lanes."""
        engine, others, at = self._engine, hearer.others, lane.times[place]
        for other, same in hearer.keeping:
            if same.held is not None:
                same.hand_over(other, bisect_left(other.rows, row, other.passed))
        news = hearer.observe(lane.name, at, lane.values[place], lane.before[place])
        slot = hearer.slot
        if slot is not None:
            if news or slot.blind or back:
                engine.mark(slot, at)
        elif hearer.asks is not None and hearer.asks.wanted:
            engine.ask(at)
        if others:
            self._look_again(others, row)

    def _look_again(self, those: Iterable[tuple[Lane, Hearer]], row: int) -> None:
        """Find anew where the bands of a rule end: it heard something or was judged."""
        for lane, hearer in those:
            if hearer.stays(lane.name):
                continue
            lane.passed = place = bisect_left(lane.rows, row, lane.passed)
            hearer.look(lane, place)
            if lane.bring_forward(hearer.end):
                heappush(self._heap, lane.next_row)

    def _hand_all_over(self, row: int) -> None:
        for lane, hearer in self._sheet.keeping:
            if hearer.held is not None:
                place = bisect_left(lane.rows, row, lane.passed)
                hearer.hand_over(lane, place)
                hearer.look(lane, place)

    def _after_ticks(self, row: int) -> None:
        engine = self._engine
        for slot in engine.judged:
            self._look_again(self._sheet.by_slot.get(id(slot), ()), row)
        engine.judged.clear()
        self._wake(row)

    def _wake(self, row: int) -> None:
        """Let the next sample of what has gone stale matter, whatever it is."""
        for name in self._engine.stale:
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
            if row - start > _FEW and not self._sheet.learning:
                self._sheet.jump(start, row)
            else:
                self._sheet.carry(start, row)
