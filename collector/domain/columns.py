"""Readings as columns, for fast processing of many."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from collector.domain.readings import Quality, Reading

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Columns", "readings_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Readings as arrays of one length."""

    names: Sequence[str]
    """Points by their code; the list may grow behind the codes that are here."""
    times: NDArray[np.int64]
    """ms since 1970 UTC."""
    points: NDArray[np.int32]
    """Codes of the points: places in ``names``."""
    values: NDArray[np.float64]
    """In the unit of record; not a number where there is none."""
    good: NDArray[np.bool_]
    """Whether there is a value that may be computed with."""

    def __len__(self) -> int:
        return len(self.times)

    def take(self, where: slice | NDArray[np.int64] | NDArray[np.bool_]) -> Columns:
        """Return some of the rows, by slice, places or mask."""
        return Columns(
            names=self.names, times=self.times[where], points=self.points[where],
            values=self.values[where], good=self.good[where],
        )


def readings_of(columns: Columns) -> list[Reading]:
    """Return columns as readings; a value that is not good becomes stale."""
    return [
        Reading(
            point=columns.names[point], asked=time, time=time, value=value if good else None,
            quality=Quality.GOOD if good else Quality.STALE,
        )
        for time, point, value, good in zip(
            columns.times.tolist(), columns.points.tolist(), columns.values.tolist(),
            columns.good.tolist(), strict=True)
    ]
