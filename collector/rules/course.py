"""Extrapolation of a reading that settles after a start."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from collector.rules.base import State

__all__ = ["Course"]

_ROWS = 24
_WIDTH = 5_000  # ms; the first stretches, twice as long whenever there are too many
_LEVEL = 0.1  # %; one step of a common analyser: what falls by less from third to third is level
_TRUSTED = 0.2
"""Largest remaining fall, as a share of the fall seen, that is extrapolated."""
_FEWEST = 6
_NOISE = 0.03  # %; rounding to steps of 0.1
_SURE = 0.15  # %; the end is known no better than this: not known
Floats = NDArray[np.float64]
_LAGS = np.array([(slow, fast) for slow in np.geomspace(2e4, 4e5, 11)
                  for fast in np.geomspace(1e4, 2e5, 8) if fast < 0.95 * slow])
"""Pairs of lags (ms) that are tried: an analyser settles within 2 to 10 min (common practice)."""
_NEAR = np.array([(slow, fast) for slow in np.linspace(0.85, 1.18, 7) for fast in (0.8, 1.0, 1.25)])
"""Finer steps about the best pair, as shares of it."""


@dataclass(slots=True, kw_only=True)
class Course(State):
    """Means of the readings over at most 24 stretches since :attr:`begun_at`.

    The line of an analyser held air during a rest and is flushed, and the analyser lags behind what
    it is given: two lags in series, so that the reading first rises and then falls to its level as
    the sum of two exponentials. Every pair of lags of a grid is fitted by least squares, and counts
    by how well it fits; their mean is the end, unless they disagree.
    """

    begun_at: int | None = None
    width: int = _WIDTH
    row_series: list[list[float]] = field(default_factory=list)
    """Mean instant, sum and number of the readings."""

    def begin(self) -> None:
        """Begin again with the next reading."""
        self.begun_at, self.width, self.row_series = None, _WIDTH, []

    def add(self, at: int, value: float) -> None:
        """Take a reading."""
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

    def end(self, at: int, value: float) -> float | None:
        """Return the value at which it settles, by the readings so far; ``None``: not known yet."""
        rows = self.row_series
        means = [total / count for _, total, count in rows]
        top = max(means, default=value)
        late = [m for m, r in zip(means, rows, strict=True)
                if r[0] - (self.begun_at or 0) >= 2 * (at - (self.begun_at or 0)) / 3]
        if top - value <= _LEVEL or (len(late) > 1 and max(late) - value <= _LEVEL):
            return value
        if len(rows) < _FEWEST:
            return None
        end, error = _settles(np.array([r[0] - rows[0][0] for r in rows]), np.array(means),
                              np.array([r[2] for r in rows]))
        return end if error <= _SURE and value - end <= _TRUSTED * (top - value) else None


def _settles(times: Floats, values: Floats, counts: Floats) -> tuple[float, float]:
    """Return where a sum of two exponentials ends, and the deviation of that."""
    found = _fit(_LAGS, 1.0, times, values, counts)
    near = _LAGS[int(found[:, 0].argmin())]
    found = np.concatenate([found, _fit(
        near * _NEAR, 1.0 / len(_NEAR), times, values, counts)])
    best = float(found[:, 0].min())
    if not np.isfinite(best):
        return 0.0, math.inf
    scatter = max(best / max(len(times) - 5, 1), _NOISE**2)
    weight = np.exp((best - found[:, 0]) / (2.0 * scatter)) * found[:, 3]
    weight /= weight.sum()
    end = float(weight @ found[:, 1])
    return end, math.sqrt(weight @ ((found[:, 1] - end)**2 + scatter * found[:, 2]))


def _fit(
    lags: Floats, share: float, times: Floats, values: Floats, counts: Floats,
) -> Floats:
    """Return of each pair of lags: squares missed, end, its variance per scatter, weight."""
    shape = np.exp(-times[None, :, None] / lags[:, None, :])
    shape = np.concatenate([np.ones_like(shape[:, :, :1]), shape], axis=2)
    weighed = shape * counts[None, :, None]
    inverse = np.linalg.inv(np.einsum("pti,ptj->pij", shape, weighed) + 1e-9 * np.eye(3))
    found = np.einsum("pij,ptj,t->pi", inverse, weighed, values)
    missed = np.sum(counts * (values - np.einsum("pti,pi->pt", shape, found))**2, axis=1)
    missed[(found[:, 0] <= 0.0) | (found[:, 1] <= 0.0)] = math.inf  # no gas, or no fall
    return np.stack([missed, found[:, 0], inverse[:, 0, 0], np.full(len(lags), share)], axis=1)
