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
from operator import mul

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


def _dot(a: Sequence[float], b: Sequence[float]) -> float:
    return math.fsum(map(mul, a, b))


def _inverse(matrix: list[list[float]]) -> list[list[float]] | None:
    """Return the inverse by Gauss and Jordan, ``None`` where the matrix is singular."""
    n = len(matrix)
    rows = [[*row, *(float(i == j) for j in range(n))] for i, row in enumerate(matrix)]
    for i in range(n):
        pivot = max(range(i, n), key=lambda r: abs(rows[r][i]))
        if abs(rows[pivot][i]) < 1e-9:
            return None
        rows[i], rows[pivot] = rows[pivot], rows[i]
        lead = rows[i][i]
        rows[i] = [x / lead for x in rows[i]]
        for j in range(n):
            if j != i and rows[j][i]:
                factor = rows[j][i]
                rows[j] = [x - factor * y for x, y in zip(rows[j], rows[i], strict=True)]
    return [row[n:] for row in rows]


def _warmth(running: Sequence[float], step: float, tau: float) -> list[float]:
    """Return the mean heat of each step, as a share of that of an endless run."""
    left = math.exp(-step / tau)
    mean = (1.0 - left) * tau / step
    out, now = [], 0.0
    for on in running:
        out.append(on + (now - on) * mean)
        now = on + (now - on) * left
    return out


class _Fit:
    """The fit of the model over some stretches, without empty columns."""

    def __init__(self, stretches: Sequence[range], columns: Sequence[Sequence[float]],
                 content: Sequence[float]) -> None:
        centred = [_centred(stretches, c) for c in columns]
        y = _centred(stretches, content)
        scales = [math.sqrt(_dot(c, c)) for c in centred]
        used = [(c, s) for c, s in zip(centred, scales, strict=True) if s > 1e-9]
        unit = [[x / s for x in c] for c, s in used]
        inverse = _inverse([[_dot(a, b) for b in unit] for a in unit]) if scales[0] > 0 else None
        self.found = inverse is not None
        if inverse is None:
            return
        against = [_dot(c, y) for c in unit]
        beta = [_dot(row, against) for row in inverse]
        self.rest = [v - _dot(beta, at) for v, at in zip(y, zip(*unit, strict=True), strict=True)]
        self.squares = _dot(self.rest, self.rest)
        self.slope = beta[0] / scales[0]
        self.weights = [_dot(inverse[0], at) / scales[0] for at in zip(*unit, strict=True)]
        self.columns = len(unit)


def _centred(stretches: Sequence[range], column: Sequence[float]) -> list[float]:
    out: list[float] = []
    for s in stretches:
        part = column[s.start:s.stop]
        mean = math.fsum(part) / len(part)
        out += [x - mean for x in part]
    return out


def _stretches(content: Sequence[float | None], breaks: set[int]) -> list[range]:
    """Return the unbroken stretches of readings, none across a place in ``breaks``."""
    out, begin = [], None
    for i in range(len(content) + 1):
        over = i == len(content) or content[i] is None
        if begin is not None and (over or i in breaks):
            if i - begin >= _LEAST:
                out.append(range(begin, i))
            begin = None
        if begin is None and not over:
            begin = i
    return out


def _lost(stretches: Sequence[range], rest: Sequence[float]) -> set[int]:
    """Return the steps at which gas was let out at once: falls larger than any rise.

    A gauge that sticks, or reads in coarse steps, jumps both ways.
    """
    hops: list[tuple[float, int]] = []
    k = 0
    for s in stretches:
        hops += [(rest[k + i] - rest[k + i - 1], s.start + i) for i in range(1, len(s))]
        k += len(s)
    if not hops:
        return set()
    sizes = sorted(abs(h) for h, _ in hops)
    limit = max(_JUMP * 1.48 * sizes[len(sizes) // 2], _BOTH_WAYS * max(h for h, _ in hops), 1e-9)
    return {place for hop, place in hops if hop < -limit}


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
    times = [i * step for i in range(count)]
    ran, total = [], 0.0
    for on in running:
        ran.append(total + 0.5 * on * step)
        total += on * step
    waves = []
    if count * step >= _WAVE:
        turns = [2.0 * math.pi * t / _DAY for t in times]
        waves = [[math.sin(a) for a in turns], [math.cos(a) for a in turns]]
    known = [0.0 if c is None else c for c in content]
    breaks: set[int] = set()
    best: _Fit | None = None
    stretches: list[range] = []
    for _ in range(2):
        stretches = _stretches(content, breaks)
        if not stretches:
            return None
        fits = [_Fit(stretches, [times, *waves, ran, _warmth(running, step, tau)], known)
                for tau in (_TAUS if total else _TAUS[:1])]
        solved = [f for f in fits if f.found]
        if not solved:
            return None
        best = min(solved, key=lambda f: f.squares)
        lost = _lost(stretches, best.rest)
        if lost <= breaks:
            break
        breaks |= lost
    assert best is not None  # noqa: S101 - the loop has run
    places = [i for s in stretches for i in s][:len(best.rest)]
    blocks: dict[int, float] = {}
    for place, weight, rest in zip(places, best.weights, best.rest, strict=True):
        block = place * _BLOCKS // count
        blocks[block] = blocks.get(block, 0.0) + weight * rest
    k = len(blocks)
    if k < _FEWEST_BLOCKS:
        return None
    free = max(k - 0.5 * best.columns, 1.0)
    variance = math.fsum(b * b for b in blocks.values()) * k / free
    return Estimate(value=-best.slope, deviation=_FEW * math.sqrt(variance),
                    freedom=max(free - 1.0, 1.0)), len(places) * step
