"""Counts second values: rows of one point at one instant whose values differ."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from collector.clock import format_instant
from collector.domain.readings import Columns
from collector.recorded.rows import Row

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["SecondValues"]


class SecondValues:
    """Passes sorted readings on unchanged, and counts the second values among them.

    The rules take the first: which of two is right cannot be known, and a recording that has both
    is to be looked at.
    """

    def __init__(self) -> None:
        self.count = 0
        self._first = ""

    def __repr__(self) -> str:
        return f"SecondValues({self.count})"

    def text(self) -> str:
        """Say how many there are and where the first is; empty for none."""
        if not self.count:
            return ""
        return (f"{self.count} row(s) have another value for a point and an instant that has one "
                f"already; the first was taken. The first such row: {self._first}")

    def rows(self, batches: Iterable[Sequence[Row]]) -> Iterator[Sequence[Row]]:
        """Pass rows on."""
        seen: dict[str, tuple[int, float | None]] = {}
        for rows in batches:
            for time, point, value, *_ in rows:
                before = seen.get(point)
                if before is None or before[0] != time:
                    seen[point] = time, value
                elif before[1] != value:
                    self._found(time, point)
            yield rows

    def columns(self, batches: Iterable[Columns]) -> Iterator[Columns]:
        """Pass columns on. Needs numpy."""
        import numpy as np

        times, points, values = np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0)
        for columns in batches:
            if len(columns):
                # Rows of the last instant may go on in the next batch.
                times = np.concatenate([times, columns.times])
                points = np.concatenate([points, columns.points])
                values = np.concatenate([values, columns.values])
                self._count(columns.names, times, points, values)
                last = times == times[-1]
                keep = np.unique(points[last], return_index=True)[1]
                times, points, values = times[last][keep], points[last][keep], values[last][keep]
            yield columns

    def _count(
        self, names: Sequence[str], times: NDArray[np.int64], points: NDArray[np.int64],
        values: NDArray[np.float64],
    ) -> None:
        import numpy as np

        # One number for point and instant: sorting it is several times as fast as sorting pairs.
        keys = times * (len(names) + 1) + points
        if (np.diff(np.sort(keys)) != 0).all():
            return
        _, first, which = np.unique(keys, return_index=True, return_inverse=True)
        there = values[first][which]
        other = (values != there) & ~(np.isnan(values) & np.isnan(there))
        for at in np.flatnonzero(other).tolist():
            self._found(int(times[at]), names[int(points[at])])

    def _found(self, time: int, point: str) -> None:
        self.count += 1
        self._first = self._first or f"{point} at {format_instant(time)}"
