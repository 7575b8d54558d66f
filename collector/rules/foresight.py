"""Until when whatever is read is known to go on being read: for who has the readings before them.

Most ticks only look whether anybody has gone silent. Where all readings of the hours to come are at
hand, it is known that nobody does before a certain instant, and nobody need look until then.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from typing import TYPE_CHECKING

from collector.rules.inputs import Inputs, Point

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Foresight"]

_NEVER = 2**62


class Foresight:
    """``heard`` are the points to come, each with the instants (ms) of its good samples."""

    def __init__(
        self, inputs: Inputs, heard: Sequence[tuple[Point, NDArray[np.int64]]],
    ) -> None:
        import numpy as np

        least = inputs.least_silence()
        begins, ends = [], []
        for point, times in heard:
            limit = point.lasts() or least
            known = times if point.at is None else np.concatenate([[point.at], times])
            wide = np.flatnonzero(np.diff(known) > limit)
            # Nobody knows what follows the last.
            begins += [known[wide] + limit, known[-1:] + limit]
            ends += [known[wide + 1], np.array([_NEVER])]
        missing = _missing(inputs, [point for point, _ in heard])
        starts = np.concatenate([*begins, [0 if missing else _NEVER]])
        order = np.argsort(starts, kind="stable")
        self._begins: list[int] = starts[order].tolist()
        self._ends: list[int] = np.maximum.accumulate(
            np.concatenate([*ends, [_NEVER]])[order]).tolist()

    def __repr__(self) -> str:
        return f"Foresight({len(self._begins)} doubts)"

    def heard_until(self, now: int) -> int:
        """Return the instant (ms) up to which nobody can go silent; ``now`` where that is not sure.

        Every point must have been carried forward to ``now``.
        """
        place = bisect_right(self._begins, now)
        doubtful = place > 0 and self._ends[place - 1] >= now
        return now if doubtful else self._begins[place]


def _missing(inputs: Inputs, heard: Sequence[Point]) -> bool:
    """Whether anything that was heard of before, or should be, is not heard of at all."""
    names, sources = {p.name for p in heard}, {p.source.id for p in heard}
    return any(p.at is not None and p.name not in names for p in inputs.points.values()) or any(
        s.base_at is not None and s.id not in sources for s in inputs.sources.values())
