"""Extrapolation of a reading that settles after a start."""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from collector.rules.base import State

_ROWS = 120  # of 5 s, ten minutes: wider ones would hold unlike numbers of readings
_WIDTH = 5_000  # ms; the first stretches, twice as long whenever there are too many
_LEVEL = 0.1  # %; one step of a common analyser: what falls by less from third to third is level
_TRUSTED = 0.35
"""Largest remaining fall, as a share of the fall seen, that is extrapolated."""
_FEWEST = 6
_ALIKE = 0.4
"""Share of the fullest row's readings that a row of joined runs must have."""
_NOISE = 0.03  # %; rounding to steps of 0.1
_SURE = 0.15  # %; the end is known no better than this: not known
Floats = NDArray[np.float64]
_LAGS = np.array([(slow, fast) for slow in np.geomspace(2e4, 4e5, 8)
                  for fast in np.geomspace(1e4, 2e5, 6) if fast < 0.95 * slow])
"""Pairs of lags (ms) that are tried: an analyser settles within 2 to 10 min (common practice)."""
_STEPS = 6
_HELD = np.diag([0.0, 0.0, 0.0, 1.0, 1.0])
"""What is known of the logarithms of the lags before."""


@dataclass(slots=True, kw_only=True)
class Course(State):
    """Means of the readings over at most 120 stretches since :attr:`begun_at`.

    The line of an analyser held air during a rest and is flushed, and the analyser lags behind what
    it is given: two lags in series, so that the reading first rises and then falls to its level as
    the sum of two exponentials, which are fitted by least squares. There is no end while the lags
    could be others and it would lie elsewhere.
    """

    begun_at: int | None = None
    width: int = _WIDTH
    row_series: list[list[float]] = field(default_factory=list)
    """Mean instant, sum and number of the readings."""

    def begin(self) -> None:
        self.begun_at, self.width, self.row_series = None, _WIDTH, []

    def add(self, at: int, value: float) -> None:
        """Add a reading."""
        if self.begun_at is None:
            self.begun_at = at
        rows, begun = self.row_series, self.begun_at
        if rows and (at - begun) // self.width == (rows[-1][0] - begun) // self.width:
            last = rows[-1]
            last[1] += value
            last[2] += 1
            last[0] += (at - last[0]) / last[2]
            return
        if len(rows) >= _ROWS:
            rows = [[(a[0] * a[2] + b[0] * b[2]) / (a[2] + b[2]), a[1] + b[1], a[2] + b[2]]
                    for a, b in zip(rows[::2], rows[1::2], strict=True)]
            self.width *= 2
        self.row_series = [*rows, [at, value, 1]]

    def join(self, run: Course, share: float) -> bool:
        """Add the rows of another run, as from its start, to ``share`` of the own ones.

        Returns whether it had rows enough.

        Sums of courses with the same two lags have these lags too: together they tell what one run
        in steps of 0.1 % does not. The rows must hold alike many readings: the mean of a bent
        course over a longer stretch lies higher. With readings that come at another pace it begins
        again.
        """
        rows = run.row_series
        if len(rows) > 1 and rows[-1][2] < rows[0][2]:
            rows = rows[:-1]
        if len(rows) < _FEWEST:
            return False
        apart = statistics.median(b[0] - a[0] for a, b in pairwise(rows))
        if self.begun_at is None or not 0.8 < apart / self.width < 1.25:
            self.begun_at, self.width, self.row_series = 0, round(apart), []
        joined: dict[int, list[float]] = {}
        for own, weight, begun in ((self.row_series, share, 0.0), (rows, 1.0, rows[0][0])):
            for at, total, count in own:
                row = joined.setdefault(round((at - begun) / self.width), [0.0, 0.0, 0.0])
                n = weight * count
                row[:] = [row[0] + n * (at - begun), row[1] + weight * total, row[2] + n]
        # Later rows are of the longer runs alone.
        most = max(r[2] for r in joined.values())
        self.row_series = [[since / n, total, n] for _, (since, total, n) in sorted(joined.items())
                           if n >= _ALIKE * most]
        return True

    def levels(self, at: int, value: float) -> bool:
        """Whether the readings no longer fall, or never did."""
        begun, means = self.begun_at or 0, [(r[0], r[1] / r[2]) for r in self.row_series]
        top = max((m for _, m in means), default=value)
        late = [m for since, m in means if since - begun >= 2 * (at - begun) / 3]
        return top - value <= _LEVEL or (len(late) > 1 and max(late) - value <= _LEVEL)

    def end(self, at: int, value: float) -> float | None:
        """Return the value at which it settles, by the readings so far; ``None``: not known yet."""
        rows = self.row_series
        if self.levels(at, value):
            return value
        if len(rows) < _FEWEST:
            return None
        means = np.array([total / count for _, total, count in rows])
        end, error = _settles(np.array([r[0] - rows[0][0] for r in rows]), means,
                              np.array([r[2] for r in rows]))
        return end if error <= _SURE and value - end <= _TRUSTED * (means.max() - value) else None


def _settles(times: Floats, values: Floats, counts: Floats) -> tuple[float, float]:
    """Return where a sum of two exponentials ends, and the deviation of that.

    From the best pair of the grid the lags are improved by Gauss-Newton steps.
    """
    shapes = np.exp(-times[None, :, None] / _LAGS[:, None, :])
    shapes = np.concatenate([np.ones_like(shapes[:, :, :1]), shapes], axis=2)
    found, missed = _heights(shapes, values, counts)
    # There is gas, and the slower part falls.
    missed[(found[:, 0] <= 0.0) | (found[:, 1] <= 0.0)] = math.inf
    lags = np.log(_LAGS[int(missed.argmin())])
    if not np.isfinite(missed.min()):
        return 0.0, math.inf
    for _ in range(_STEPS):
        bent = np.exp(-times[:, None] / np.exp(lags))
        shape = np.column_stack([np.ones_like(times), bent])
        heights, missed = _heights(shape[None], values, counts)
        slopes = np.column_stack([
            shape, bent * heights[0, 1:] * times[:, None] / np.exp(lags)])
        scatter = max(float(missed[0]) / max(len(times) - 5, 1), _NOISE**2)
        square = slopes.T @ (slopes * counts[:, None]) / scatter + _HELD
        off = values - heights[0, 0] - bent @ heights[0, 1:]
        step = np.linalg.solve(square, slopes.T @ (counts * off) / scatter)
        lags = lags + np.clip(step[3:], -0.2, 0.2)
    variance = float(np.linalg.inv(square)[0, 0])
    return float(heights[0, 0]), math.sqrt(variance) if variance > 0.0 else math.inf


def _heights(shapes: Floats, values: Floats, counts: Floats) -> tuple[Floats, Floats]:
    """Return the best heights of each set of shapes, and the squares that they miss."""
    weighed = shapes * counts[None, :, None]
    square = np.einsum("pti,ptj->pij", shapes, weighed) + 1e-9 * np.eye(3)
    found = np.linalg.solve(square, np.einsum("pti,t->pi", weighed, values)[:, :, None])[:, :, 0]
    return found, np.sum(counts * (values - np.einsum("pti,pi->pt", shapes, found))**2, axis=1)
