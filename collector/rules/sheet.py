"""Columns of readings cut into lanes, one a point, with who hears it and until where it is quiet.

What does not depend on a rule is worked out for a whole column at once: which samples are new and
good, how far each lies behind the one before, which of them move their source.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from typing import TYPE_CHECKING, Any

from collector.domain.columns import readings_of
from collector.domain.readings import Reading
from collector.rules.hearers import Hearer
from collector.rules.inputs import Point, Source, Spacing
from collector.rules.lanes import Lane

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from collector.domain.columns import Columns
    from collector.rules.engine import Engine

__all__ = ["Sheet"]

_NEVER = 2**62
_GAP = 30_000
"""ms without any row below which the watch cannot have been blind."""

ANSWERED, MOVED, NUMBER, LEARNS = 1, 2, 4, 8
"""What a row does to its source: first answer of its time, something changed, a number came."""


class Sheet:
    """All lanes of some columns, and what each row does to the shared view."""

    def __init__(self, engine: Engine, columns: Columns) -> None:
        import numpy

        self._np, self._columns = numpy, columns
        self.count = len(columns)
        self._cut_frames()
        usable = columns.good & numpy.isfinite(columns.values)
        new, acts = numpy.zeros(self.count, bool), numpy.zeros(self.count, numpy.int8)
        self.lanes: dict[str, Lane] = {}
        self._codes: dict[int, Lane] = {}
        rows_of: dict[int, tuple[Source, list[Lane]]] = {}
        for code in numpy.flatnonzero(numpy.bincount(columns.points)).tolist():
            lane = self._lane(engine, columns.names[code], code, usable, new)
            source = lane.point.source
            rows_of.setdefault(id(source), (source, []))[1].append(lane)
        self._sources = [
            (source, *self._act(acts, lanes)) for source, lanes in rows_of.values()
        ]
        self.learning = any(
            lane.point.spacing is not None or lane.point.source.spacing is not None
            for lane in self.lanes.values()
        )
        self.odd: list[int] = numpy.flatnonzero(~new).tolist()
        """Rows that are not good or not new."""
        self.times: list[int] = columns.times.tolist()
        self.values: list[float] = columns.values.tolist()
        self.codes: list[int] = columns.points.tolist()
        self.acts: list[int] = acts.tolist()
        self.points = {code: lane.point for code, lane in self._codes.items()}
        self.by_slot: dict[int, list[tuple[Lane, Hearer]]] = {}
        self._lay()

    def _cut_frames(self) -> None:
        np, times = self._np, self._columns.times
        starts = np.flatnonzero(np.diff(times)) + 1
        starts = np.concatenate([[0], starts])
        marks = times[starts]
        self.frame_times: list[int] = marks.tolist()
        self.gaps: list[int] = (np.flatnonzero(np.diff(marks) > _GAP) + 1).tolist()
        """Frames that come so late that the watch may have been blind before."""
        self._frames = np.repeat(
            np.arange(len(starts)), np.diff(np.concatenate([starts, [len(times)]])))
        self.frame_starts: list[int] = [*starts.tolist(), len(times)]

    def frame_of(self, row: int) -> int:
        """Return the frame of a row; one past the last for one past the last."""
        if row >= self.count:
            return len(self.frame_times)
        return bisect_right(self.frame_starts, row) - 1

    def _lane(
        self, engine: Engine, name: str, code: int, usable: NDArray[np.bool_],
        new: NDArray[np.bool_],
    ) -> Lane:
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
        return lane

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

    def _act(
        self, acts: NDArray[np.int8], lanes: list[Lane],
    ) -> tuple[list[int], list[int], list[int]]:
        """Mark what rows do to their source; return those that answer, move it, are numbers."""
        np, columns = self._np, self._columns
        rows_of = [np.array(lane.rows, np.int64) for lane in lanes]
        moved = []
        for lane, rows in zip(lanes, rows_of, strict=True):
            if not len(rows):
                continue
            values = columns.values[rows]
            differs = np.empty(len(rows), bool)
            differs[1:] = values[1:] != values[:-1]
            differs[0] = lane.point.value is None or values[0] != lane.point.value
            moved.append(rows[differs])
            if lane.point.spacing is not None:
                acts[rows] |= LEARNS
        numbers = [rows for lane, rows in zip(lanes, rows_of, strict=True) if lane.point.is_number]
        found = []
        for act, parts in ((ANSWERED, rows_of), (MOVED, moved), (NUMBER, numbers)):
            first = self._first_of_frames(parts)
            acts[first] |= act
            found.append(first.tolist())
        return found[0], found[1], found[2]

    def _first_of_frames(self, parts: list[NDArray[np.int64]]) -> NDArray[np.int64]:
        import numpy as np

        rows: NDArray[np.int64] = np.sort(np.concatenate([np.zeros(0, np.int64), *parts]))
        first = np.ones(len(rows), bool)
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
                if not hearer.target.apart:
                    hearer.others = [other for other in mine if other[1] is not hearer]
                hearer.alone = hearer.each and not hearer.others
                hearer.keeping = [other for other in hearer.others if other[1].holds is not None]
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
        return self._codes[self.codes[row]]

    def reading(self, row: int) -> Reading:
        """Return a row as a reading; where it is not good, as one that was not had."""
        return readings_of(self._columns.take(slice(row, row + 1)))[0]

    # -- the shared view -------------------------------------------------------------------------

    def carry(self, start: int, end: int) -> None:
        """Carry the shared view over rows that are all good and new, one by one."""
        points = self.points
        for code, at, value, act in zip(
            self.codes[start:end], self.times[start:end], self.values[start:end],
            self.acts[start:end], strict=True,
        ):
            point = points[code]
            if act:
                source = point.source
                if act & LEARNS and point.at is not None and point.spacing is not None:
                    point.spacing.learn(at - point.at)
                if act & MOVED:
                    source.moved_at = at
                if act & NUMBER:
                    source.number_at = at
                if act & ANSWERED:
                    if source.spacing is not None and source.good_at is not None:
                        source.spacing.learn(at - source.good_at)
                    source.good_at = source.base_at = at
            point.value = value
            point.at = point.heard_at = at

    def jump(self, start: int, end: int) -> None:
        """Carry the shared view over rows that are all good and new, each point at once.

        Only where nothing learns from every sample.
        """
        for lane in self.lanes.values():
            place = bisect_left(lane.rows, end) - 1
            if place >= 0 and lane.rows[place] >= start:
                point = lane.point
                point.value = lane.values[place]
                point.at = point.heard_at = lane.times[place]
        for source, answered, moved, numbers in self._sources:
            at = self._last(answered, start, end)
            if at is not None:
                source.good_at = source.base_at = at
            at = self._last(moved, start, end)
            if at is not None:
                source.moved_at = at
            at = self._last(numbers, start, end)
            if at is not None:
                source.number_at = at

    def _last(self, rows: list[int], start: int, end: int) -> int | None:
        place = bisect_left(rows, end) - 1
        return self.times[rows[place]] if place >= 0 and rows[place] >= start else None


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
