"""The staleness horizon of a batch."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from collector.rules.inputs import Inputs, Point

_NEVER = 2**62


class StalenessHorizon:
    """Earliest instant at which any input could become stale, given a batch of future readings.

    Most ticks only check for staleness. While the readings of the next hours are known, no check
    is needed before that instant. ``sampled`` are the points with the times (ms) of their good
    samples.
    """

    def __init__(
        self, inputs: Inputs, sampled: Sequence[tuple[Point, NDArray[np.int64]]],
    ) -> None:
        least = inputs.least_silence()
        begins, ends = [], []
        for point, times in sampled:
            limit = point.lasts() or least
            known = times if point.at is None else np.concatenate([[point.at], times])
            wide = np.flatnonzero(np.diff(known) > limit)
            # What follows the last is not known.
            begins += [known[wide] + limit, known[-1:] + limit]
            ends += [known[wide + 1], np.array([_NEVER])]
        missing = _missing(inputs, [point for point, _ in sampled])
        starts = np.concatenate([*begins, [0 if missing else _NEVER]])
        order = np.argsort(starts, kind="stable")
        self._begins: list[int] = starts[order].tolist()
        self._ends: list[int] = np.maximum.accumulate(
            np.concatenate([*ends, [_NEVER]])[order]).tolist()

    def __repr__(self) -> str:
        return f"StalenessHorizon({len(self._begins)} doubts)"

    def known_until(self, now: int) -> int:
        """Return the instant (ms) before which no input becomes stale, ``now`` if unknown.

        Every point must have been carried forward to ``now``.
        """
        place = bisect_right(self._begins, now)
        doubtful = place > 0 and self._ends[place - 1] >= now
        return now if doubtful else self._begins[place]


def _missing(inputs: Inputs, sampled: Sequence[Point]) -> bool:
    """Whether a point or source that had samples, or should have, has none in the batch."""
    names, sources = {p.name for p in sampled}, {p.source.id for p in sampled}
    return any(p.at is not None and p.name not in names for p in inputs.points.values()) or any(
        s.base_at is not None and s.id not in sources for s in inputs.sources.values())
