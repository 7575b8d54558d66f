r"""Gas delivered by one compressor run, and the common unknowns of a tank's runs.

Gas is conserved: beside the runs, tank and pipes only lose it. With :math:`P` the pressure of the
tank (and of the pipes in psi of it),

.. math:: P(t) = a + g\,[t > t_s] - d\,t + h\,\theta(t) - \sum_j F_j\,o_j(t) + w(t)

about one run that stops at :math:`t_s`: its gas :math:`g`, what is drawn before and after it, the
heat of compression :math:`\theta` that is still in the tank, the time :math:`o_j` vents were open.
The noise :math:`w` is that of the gauge and a random walk, since what risers draw comes and goes.
:math:`h` (one for each of :data:`TAUS`) and :math:`F_j` are shared by all runs and learned from the
curvature of the rests alone, which the gas of no run touches.

References
----------
[1] Aitken, A. C. (1936). On least squares and linear combination of observations. Proceedings of
    the Royal Society of Edinburgh 55, 42-48.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["TAUS", "Block", "RunGain", "Shared", "run_gain", "solve_shared"]

TAUS = (240.0, 340.0, 480.0, 680.0, 960.0, 1360.0)
"""Time constants (s) at which a tank may give up the heat of a run, by common practice."""

_WALK = 0.1
"""Deviation of the random walk in one second, in deviations of one block of readings. What rests
of drawn and of bundled plants show; a tenth of it or thrice as much moves a result by half of its
own deviation."""
_WARM, _WARM_DOUBT = 0.025, 0.012
"""Share of the absolute pressure that the heat of an endless run is, and its deviation (setting):
7 K of some 290; a tank beside a running compressor is 2 to 12 K too warm, by common practice."""

_Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Block:
    """Mean of some readings of a rest."""

    at: float
    """s, from any origin."""
    pressure: float
    count: float
    columns: Sequence[float]
    """Factor of each shared number at that time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunGain:
    """The gas gained in a run, from the rests before and after it.

    The gas is ``gas`` less the sum of ``sensitivity`` times the shared numbers; ``variance`` is in
    units of the noise. ``normal``, ``right``, ``rest`` and ``freedom`` are what the run adds to the
    normal equations of the shared numbers.
    """

    gas: float
    sensitivity: list[float]
    variance: float
    drawn: float
    drawn_sensitivity: list[float]
    """Psi a second drawn about the run, and how the shared numbers move that, like the gas."""
    normal: list[list[float]]
    right: list[float]
    rest: float
    freedom: int


@dataclass(frozen=True, slots=True)
class Shared:
    """Shared numbers and their covariance."""

    values: _Floats
    covariance: _Floats
    settled: _Floats
    """What regulators pass until they have settled, for each time constant: it bends a rest as heat
    does, and is gas."""


def run_gain(before: Sequence[Block], after: Sequence[Block], start: float, stop: float,
             ) -> RunGain | None:
    """Return the gain of the run between two rests, or ``None`` for too few readings.

    Generalised least squares [1]_. ``start`` and ``stop`` are the instants (s) of the run.

    Examples
    --------
    A tank that loses 0.01 psi/s and rises by 20 psi in a run of 100 s got 21 psi of gas.

    >>> none = [0.0] * len(TAUS)
    >>> before = [Block(t, 80.0 - 0.01 * t, 1, none) for t in (0.0, 60.0, 120.0)]
    >>> after = [Block(t, 98.8 - 0.01 * (t - 220.0), 1, none) for t in (220.0, 280.0, 340.0)]
    >>> round(run_gain(before, after, 120.0, 220.0).gas, 6)
    21.0
    """
    if not before or len(after) < 2 or len(before) + len(after) < 4:
        return None
    blocks = [*before, *after]
    first, length = before[0].at, stop - start
    t = np.array([b.at for b in blocks])
    ended = np.arange(len(blocks)) >= len(before)
    known = np.array([[b.pressure, *b.columns] for b in blocks])
    rows = known - known[0]
    back = np.where(ended, length / 2, t - start)
    ahead = np.where(ended, t - stop + length / 2, 0.0)
    # In the run the mean of what was drawn before and after it; one rate where a rest is short.
    rates = [back, ahead] if min(len(before), len(after)) >= 3 else [back + ahead]
    own = np.column_stack([np.ones(len(blocks)), ended, *rates])
    if len(blocks) <= own.shape[1]:
        return None
    walk = _WALK**2 * np.minimum.outer(t - first, t - first)
    noise = np.diag([1.0 / math.sqrt(b.count) for b in blocks]) + walk
    white = np.linalg.solve(np.linalg.cholesky(noise), np.column_stack([rows, own]))
    width = rows.shape[1]
    q, r = np.linalg.qr(white[:, width:])
    inverse = np.linalg.inv(r) @ q.T
    gas = inverse[1]
    slopes = -inverse[2:].mean(axis=0)
    left = white[:, :width] - q @ (q.T @ white[:, :width])
    y, x = left[:, 0], left[:, 1:]
    return RunGain(
        gas=float(gas @ white[:, 0]), sensitivity=(gas @ white[:, 1:width]).tolist(),
        variance=float(gas @ gas), drawn=float(slopes @ white[:, 0]),
        drawn_sensitivity=(slopes @ white[:, 1:width]).tolist(),
        normal=(x.T @ x).tolist(), right=(x.T @ y).tolist(), rest=float(y @ y),
        freedom=len(blocks) - own.shape[1],
    )


def solve_shared(normal: Sequence[Sequence[float]], right: Sequence[float], noise: float,
                 flow: float, settles: float = 0.0) -> Shared:
    """Return the shared numbers by summed normal equations, a prior and the noise's variance.

    Each time constant is tried alone; they are averaged by how likely each makes the readings,
    since a choice between two that fit alike would turn with the noise.
    Neither heat nor the flow of a vent is ever negative. ``flow`` (psi/s) is about the most that a
    vent draws: its prior deviation. ``settles`` is the deviation of what regulators pass until they
    have settled, in the unit of the heat: only the prior parts the two.

    Examples
    --------
    Before anything is learned, the prior: 2.5 % of the absolute pressure.

    >>> width = len(TAUS)
    >>> none = solve_shared([[0.0] * width] * width, [0.0] * width, 1.0, 0.05)
    >>> round(float(none.values.sum()), 4)
    0.025
    """
    heats, count = len(TAUS), len(right)
    vents = count - heats
    whole, wanted = np.array(normal).reshape(count, count) / noise, np.array(right) / noise
    prior = np.full(1 + vents, 1.0 / max(flow, 1e-6) ** 2)
    prior[0] = 1.0 / (_WARM_DOUBT**2 + settles**2)
    scores, solved = [], []
    for place in range(heats):
        mine = [place, *range(heats, count)]
        matrix = whole[np.ix_(mine, mine)] + np.diag(prior)
        pulled = wanted[mine]
        pulled[0] += _WARM * prior[0]
        values, free = _not_negative(matrix, pulled)
        scores.append(float(pulled @ values) / 2 - np.linalg.slogdet(matrix)[1] / 2)
        spread = np.zeros((1 + vents, 1 + vents))
        spread[np.ix_(free, free)] = np.linalg.inv(matrix[np.ix_(free, free)])
        solved.append((mine, values, spread))
    weights = np.exp(np.array(scores) - max(scores))
    weights /= weights.sum()
    mean, square, settled = np.zeros(count), np.zeros((count, count)), np.zeros(heats)
    for weight, (mine, values, spread) in zip(weights, solved, strict=True):
        # Of what bends a rest, the part that is heat: as its prior allows.
        part = _WARM_DOUBT**2 * prior[0]
        heat = max(_WARM + part * (values[0] - _WARM), 0.0)
        settled[mine[0]] = weight * (values[0] - heat)
        values[0] = heat
        spread[0] *= part
        spread[:, 0] *= part
        spread[0, 0] += settles**2 * part
        mean[mine] += weight * values
        square[np.ix_(mine, mine)] += weight * (spread + np.outer(values, values))
    return Shared(mean, square - np.outer(mean, mean), settled)


def _not_negative(matrix: _Floats, wanted: _Floats) -> tuple[_Floats, NDArray[np.bool_]]:
    """Return the least squares solution without what would be negative, and what is left."""
    free = np.ones(len(wanted), dtype=bool)
    values = np.zeros(len(wanted))
    while free.any():
        values[:] = 0.0
        values[free] = np.linalg.solve(matrix[np.ix_(free, free)], wanted[free])
        if not (values < 0.0).any():
            break
        free &= values >= 0.0
    return values, free
