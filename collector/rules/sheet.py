"""Columns of readings cut into lanes, one a point, with who hears it and until where it is quiet.

What does not depend on a rule is worked out for a whole column at once: which samples are new and
good, how far each lies behind the one before, which of them move their source.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

from collector.domain.columns import readings_of
from collector.domain.readings import Reading
from collector.rules.foresight import Foresight
from collector.rules.hearers import Hearer
from collector.rules.inputs import Point, Spacing
from collector.rules.lanes import Lane

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from collector.domain.columns import Columns
    from collector.rules.engine import Engine

    _Rows = tuple[Point, NDArray[np.int64]]
    """A point, and the rows that are new and good samples of it."""

__all__ = ["Sheet"]

_T = TypeVar("_T")
_NEVER = 2**62

ANSWERED, MOVED, NUMBER, LEARNS = 1, 2, 4, 8
"""What a row does to its source: first answer of its time, something changed, a number came."""


class Sheet:
    """All lanes of some columns, and what each row does to the shared view."""

    def __init__(self, engine: Engine, columns: Columns) -> None:
        import numpy

        self._np, self._columns = numpy, columns
        self.count = len(columns)
        self._cut_frames(engine.inputs.surely_seen())
        usable = columns.good & numpy.isfinite(columns.values)
        new, acts = numpy.zeros(self.count, bool), numpy.zeros(self.count, numpy.int8)
        self.lanes: dict[str, Lane] = {}
        self._codes: dict[int, Lane] = {}
        rows_of: dict[int, list[_Rows]] = {}
        heard = []
        for code in numpy.flatnonzero(numpy.bincount(columns.points)).tolist():
            point, rows = self._lane(engine, columns.names[code], code, usable, new)
            if len(rows):
                rows_of.setdefault(id(point.source), []).append((point, rows))
                heard.append((point, columns.times[rows]))
        for told in rows_of.values():
            self._act(acts, told)
        self.foresight = Foresight(engine.inputs, heard)
        self.odd: list[int] = numpy.flatnonzero(~new).tolist()
        """Rows that are not good or not new."""
        self._odd = frozenset(self.odd)
        self.times: list[int] = columns.times.tolist()
        self._values: list[float] = columns.values.tolist()
        self._points = self._at_each_row(lambda lane: lane.point)
        self._lanes = self._at_each_row(lambda lane: lane)
        acting = numpy.flatnonzero(acts)
        self._acting: list[int] = acting.tolist()
        self._acts: list[int] = acts[acting].tolist()
        self._acted = 0
        self.by_slot: dict[int, list[tuple[Lane, Hearer]]] = {}
        self._lay()

    def _at_each_row(self, told: Callable[[Lane], _T]) -> list[_T]:
        table = self._np.empty(len(self._columns.names), object)
        for code, lane in self._codes.items():
            table[code] = told(lane)
        found: list[_T] = table[self._columns.points].tolist()
        return found

    def _cut_frames(self, seen: int) -> None:
        """Give the rows of one time a number, and find what comes late."""
        np, times = self._np, self._columns.times
        steps = np.diff(times)
        self._frames = np.concatenate([[0], np.cumsum(steps != 0)])
        self.gaps: list[int] = (np.flatnonzero(steps > seen) + 1).tolist()
        """Rows that come so late that the watch may have been blind before."""

    def _lane(
        self, engine: Engine, name: str, code: int, usable: NDArray[np.bool_],
        new: NDArray[np.bool_],
    ) -> _Rows:
        np, columns = self._np, self._columns
        point = engine.inputs.point(name)
        rows = np.flatnonzero(columns.points == code)
        times = columns.times[rows]
        fresh = usable[rows]
        fresh[1:] &= times[1:] != times[:-1]
        rows = rows[fresh]
        new[rows] = True
        lane = self.lanes[name] = self._codes[code] = Lane(point, self.count)
        if len(rows):
            lane.fill(np, rows, columns)
            lane.hear(*engine.hearers(name))
            self._late(lane, columns.times[rows])
        return point, rows

    def _late(self, lane: Lane, times: NDArray[np.int64]) -> None:
        """Find the samples that come too late after the one before, for each rule at the lane."""
        np, point = self._np, lane.point
        gaps = np.empty(len(times), np.int64)
        gaps[1:] = np.diff(times)
        gaps[0] = _NEVER if point.at is None else times[0] - point.at
        own: Any = point.max_gap()
        if point.source.every is None and point.spacing is not None:
            own = np.array(_limits(point, gaps.tolist()), np.int64)
        known: dict[int | None, list[int]] = {}
        for hearer in lane.hearers:
            if hearer.limit not in known:
                limit = own if hearer.limit is None else hearer.limit
                known[hearer.limit] = np.flatnonzero(gaps > limit).tolist()
            hearer.late = known[hearer.limit]

    def _act(self, acts: NDArray[np.int8], told: list[_Rows]) -> None:
        """Mark what rows do to their source: answer, move it, are numbers."""
        moved = []
        for point, rows in told:
            values = self._columns.values[rows]
            differs = self._np.empty(len(rows), bool)
            differs[1:] = values[1:] != values[:-1]
            differs[0] = point.value is None or values[0] != point.value
            moved.append(rows[differs])
            if point.spacing is not None:
                acts[rows] |= LEARNS
        answered = [rows for _, rows in told]
        numbers = [rows for point, rows in told if point.is_number]
        for act, parts in ((ANSWERED, answered), (MOVED, moved), (NUMBER, numbers)):
            acts[self._first_of_frames(parts)] |= act

    def _first_of_frames(self, parts: list[NDArray[np.int64]]) -> NDArray[np.int64]:
        marked = self._np.zeros(self.count, bool)
        for part in parts:
            marked[part] = True
        rows: NDArray[np.int64] = self._np.flatnonzero(marked)
        first = self._np.ones(len(rows), bool)
        frames = self._frames[rows]
        first[1:] = frames[1:] != frames[:-1]
        found: NDArray[np.int64] = rows[first]
        return found

    def _lay(self) -> None:
        """Let each hearer know itself at the other lanes."""
        self.heard = [lane for lane in self.lanes.values() if lane.count and lane.hearers]
        places: dict[int, list[tuple[Lane, Hearer]]] = {}
        for lane in self.heard:
            for hearer in lane.hearers:
                places.setdefault(id(hearer.target), []).append((lane, hearer))
        for found in places.values():
            mine = [(lane, hearer) for lane, hearer in found if not hearer.each]
            for _, hearer in found:
                others = [other for other in mine if other[1] is not hearer]
                hearer.others = [] if hearer.target.apart else others
                hearer.keeping = [other for other in others if other[1].holds is not None]
            slot = found[0][1].slot
            if slot is not None:
                self.by_slot[id(slot)] = mine
        self.estimated = [
            (lane, hearer) for found in places.values() for lane, hearer in found
            if hearer.slot is None and not hearer.each
        ]
        self.keeping = [
            (lane, hearer) for found in places.values() for lane, hearer in found
            if hearer.holds is not None
        ]

    def lane_at(self, row: int) -> Lane:
        """Return the lane of a row."""
        return self._lanes[row]

    def is_odd(self, row: int) -> bool:
        """Whether a row is not good or not new."""
        return row in self._odd

    def reading(self, row: int) -> Reading:
        """Return a row as a reading; where it is not good, as one that was not had."""
        return readings_of(self._columns.take(slice(row, row + 1)))[0]

    # -- the shared view -------------------------------------------------------------------------

    def carry(self, start: int, end: int) -> None:
        """Carry the shared view over rows that are all good and new, one by one."""
        self._act_until(end)
        for point, at, value in zip(
            self._points[start:end], self.times[start:end], self._values[start:end], strict=True,
        ):
            point.value = value
            point.at = at

    def _act_until(self, end: int) -> None:
        """Let the rows before ``end`` do to their sources what they do."""
        acting, place, count = self._acting, self._acted, len(self._acting)
        while place < count and acting[place] < end:
            row, act = acting[place], self._acts[place]
            place += 1
            at, source = self.times[row], self._points[row].source
            if act & LEARNS:
                self._lanes[row].learn(at)
            if act & MOVED:
                source.moved_at = at
            if act & NUMBER:
                source.number_at = at
            if act & ANSWERED:
                if source.spacing is not None and source.good_at is not None:
                    source.spacing.learn(at - source.good_at)
                source.good_at = source.base_at = at
        self._acted = place

    def heard_at(self, row: int) -> None:
        """Say when the point of a row was last heard of before it."""
        _heard(self._points[row])

    def heard_all(self) -> None:
        """Say when each point was last heard of, all rows being carried over."""
        for lane in self.lanes.values():
            _heard(lane.point)


def _heard(point: Point) -> None:
    # What is carried over is good: only of the rest is it told apart when it was heard.
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
