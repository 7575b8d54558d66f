"""Gas lost by a closed tank and its pipes, from its gas content over runs of the compressor.

Gas is conserved whatever a regulator does. As long as every vent is shut,

    content = a - outflow * time + delivery * time running + heat(t) + day(t),

with ``a`` free in every unbroken stretch. ``heat`` is the warmth that runs leave in the tank, which
follows the runs to first order with one time constant; ``day`` a daily wave, where pipes warm and
cool unread. Outflow, delivery and heat are the coefficients of one small linear model. Neighbouring
errors are alike, so that blocks of them are counted, not readings.

References
----------
[1] Cameron, Miller: A practitioner's guide to cluster-robust inference. Journal of Human Resources
    50 (2015) 317-372.

"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from collector.physics.estimate import Estimate

__all__ = ["closed_outflow"]

_TAUS = (180.0, 300.0, 500.0, 800.0, 1200.0)
"""s; a tank loses the heat of a run within 5 to 60 min."""
_LEAST = 4
"""Readings of a stretch."""
_DAY = 86_400.0
_WAVE = 2.0 * _DAY
"""s from which on a daily wave is separated from an outflow."""
_BLOCKS = 12
_FEWEST_BLOCKS = 4
_FEW = 1.4
"""Factor for the deviation, which few correlated blocks understate (setting, from trials)."""
_JUMP = 8.0
_BOTH_WAYS = 1.3
_EMPTY = 1e-9
_FORGOTTEN = math.log(1e-12)

_Floats = NDArray[np.floating[Any]]
_Places = NDArray[np.int64]


def _warmth(running: _Floats, step: float, tau: float) -> _Floats:
    """Return the mean heat of each step, as a share of that of an endless run."""
    left = math.exp(-step / tau)
    mean = (1.0 - left) * tau / step
    # Heat at the start of each step, from the steps before it, as long as they matter.
    kept = (1.0 - left) * left ** np.arange(math.ceil(-_FORGOTTEN * tau / step))
    now = np.convolve(np.concatenate([[0.0], running]), kept)[:running.size]
    return running + (now - running) * mean


class _Fit:
    """The fit of the model over some stretches, without empty columns."""

    def __init__(self, stretch: _Places, columns: Sequence[_Floats], content: _Floats) -> None:
        centred = [_centred(stretch, c) for c in (content, *columns)]
        y, scales = centred[0], [math.sqrt(float(c @ c)) for c in centred[1:]]
        self.found = False
        if scales[0] <= _EMPTY:
            return
        unit = np.array([c / s for c, s in zip(centred[1:], scales, strict=True) if s > _EMPTY])
        values, vectors = np.linalg.eigh(unit @ unit.T)
        if values[0] < _EMPTY:
            return
        self.found = True
        inverse = (vectors / values) @ vectors.T
        beta = inverse @ (unit @ y)
        self.rest = y - beta @ unit
        self.squares = float(self.rest @ self.rest)
        self.slope = float(beta[0]) / scales[0]
        self.weights = inverse[0] @ unit / scales[0]
        self.columns = len(unit)


def _centred(stretch: _Places, column: _Floats) -> _Floats:
    """Return the readings of stretches, each less the mean of its own; -1 is none."""
    used = stretch >= 0
    label, values = stretch[used], column[used]
    centred: _Floats = values - (np.bincount(label, values) / np.bincount(label))[label]
    return centred


def _stretches(known: NDArray[np.bool_], breaks: NDArray[np.bool_]) -> _Places:
    """Return the number of the unbroken stretch of each reading, -1 for none or too short a one."""
    before = np.concatenate([[False], known[:-1]])
    label = np.where(known, np.cumsum(known & (~before | breaks)), 0)
    sizes = np.bincount(label)
    sizes[0] = 0
    places = np.cumsum(sizes >= _LEAST) - 1
    return np.where(sizes[label] >= _LEAST, places[label], -1)


def _lost(stretch: _Places, rest: _Floats) -> NDArray[np.bool_]:
    """Return the places where gas was let out at once: steps down larger than any step up.

    A gauge that sticks, or reads in coarse steps, jumps both ways.
    """
    out = np.zeros(stretch.size, dtype=bool)
    places = np.flatnonzero(stretch >= 0)
    inside = np.diff(stretch[places]) == 0
    hops = np.diff(rest)[inside]
    if hops.size:
        sizes = np.sort(np.abs(hops))
        limit = max(_JUMP * 1.48 * sizes[hops.size // 2], _BOTH_WAYS * hops.max(), 1e-9)
        out[places[1:][inside][hops < -limit]] = True
    return out


def closed_outflow(
    content: Sequence[float | None], running: Sequence[float], step: float,
) -> tuple[Estimate, float] | None:
    """Return the loss per second, and the seconds that were seen.

    ``content`` are means over ``step`` seconds, ``None`` where a vent was open or something was not
    read; ``running`` the share of each step in which the compressor ran. ``None`` where too little
    was seen, or outflow and delivery cannot be separated.

    Examples
    --------
    A tank that loses 1 psi in an hour with its compressor stopped:

    >>> content = [100.0 - i / 12.0 for i in range(288)]
    >>> found, seen = closed_outflow(content, [0.0] * 288, 300.0)
    >>> round(found.value * 3600.0, 6), seen
    (1.0, 86400.0)
    """
    count = len(content)
    gas, on = np.array(content, dtype=float), np.array(running, dtype=float)
    times: _Floats = np.arange(count) * step
    columns: list[_Floats] = [times]
    if count * step >= _WAVE:
        turns = 2.0 * math.pi / _DAY * times
        columns += [np.sin(turns), np.cos(turns)]
    columns.append((np.cumsum(on) - 0.5 * on) * step)
    heats = [_warmth(on, step, tau) for tau in (_TAUS if on.any() else _TAUS[:1])]
    known, breaks = ~np.isnan(gas), np.zeros(count, dtype=bool)
    best = None
    for _ in range(2):
        stretch = _stretches(known, breaks)
        if not (stretch >= 0).any():
            return None
        fits = [_Fit(stretch, [*columns, heat], gas) for heat in heats]
        solved = [f for f in fits if f.found]
        if not solved:
            return None
        best = min(solved, key=lambda f: f.squares)
        lost = _lost(stretch, best.rest)
        if not (lost & ~breaks).any():
            break
        breaks = breaks | lost
    assert best is not None  # noqa: S101 - the loop has run
    places = np.flatnonzero(stretch >= 0)
    block = places * _BLOCKS // count
    blocks = np.bincount(block, best.weights * best.rest)[np.unique(block)]
    k = blocks.size
    if k < _FEWEST_BLOCKS:
        return None
    free = max(k - 0.5 * best.columns, 1.0)
    variance = float(blocks @ blocks) * k / free
    return Estimate(value=-best.slope, deviation=_FEW * math.sqrt(variance),
                    freedom=max(free - 1.0, 1.0)), places.size * step
