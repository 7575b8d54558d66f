"""The new good samples of one point, with who hears them and until where nobody has to."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from collector.rules.base import ALL
from collector.rules.estimates import Estimator
from collector.rules.hearers import Hearer
from collector.rules.inputs import Point

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from collector.domain.columns import Columns
    from collector.rules.slots import Slot

__all__ = ["Lane"]

_PART = 64
"""Samples whose least and greatest are known, so that a band is passed over in leaps."""


class Lane:
    """The new good samples of one point."""

    __slots__ = (
        "before", "count", "each", "hearers", "highs", "learned_at", "lows", "name", "next_place",
        "next_row", "passed", "point", "rows", "times", "total", "values",
    )

    def __init__(self, point: Point, total: int) -> None:
        self.name, self.point, self.total = point.name, point, total
        self.rows: list[int] = []
        self.times: list[int] = []
        self.values: list[float] = []
        self.before: list[int | None] = []
        self.lows: list[float] = []
        self.highs: list[float] = []
        self.hearers: list[Hearer] = []
        self.learned_at = point.at
        """Up to when the pace of the point is learned."""
        self.each = False
        """Whether somebody hears every sample."""
        self.count = self.passed = self.next_place = 0
        self.next_row = total

    def fill(self, np: Any, rows: NDArray[np.int64], columns: Columns) -> None:
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

    def hear(self, slots: Iterable[Slot], estimators: Iterable[Estimator]) -> None:
        """Take who hears it, in the order in which they hear."""
        self.hearers = [
            *(Hearer(slot.rule, slot, slot.rule.set_gap) for slot in slots),
            *(Hearer(estimator, None, None) for estimator in estimators),
        ]
        self.each = any(hearer.each for hearer in self.hearers)

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
            for hearer in self.hearers:
                if hearer.end < least:
                    least = hearer.end
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
