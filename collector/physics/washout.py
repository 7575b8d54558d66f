r"""Washout of the first gas from pipe: tanks in series with dead legs, or one slowing volume.

Pipe is neither one mixed volume nor a plug. It is taken as ``k`` tanks in series, the last of them
a smaller one where ``k`` is no whole number, as unlike lengths in a row spread the gas like fewer
ones that are alike. Each has its share ``d`` of dead legs that exchanges with it in a time ``r``
(all times in units of the time constant, the amount held over the flow):

.. math::
    \frac{1-d}{k} \dot x_i = x_{i-1} - x_i - \frac{d}{k r}(x_i - z_i), \qquad
    \dot z_i = \frac{x_i - z_i}{r}

Or the flow falls while the gas leaves, as where the gas itself drives it [2]. Of one mixed volume
then

.. math:: \dot x = -x^{1+g}, \qquad x = (1 + g t)^{-1/g}

References
----------
[1] Levenspiel: Chemical Reaction Engineering. Tanks in series; exchange with stagnant regions
    (chapters on non-ideal flow; from memory).
[2] Linden, Lane-Serff, Smeed: Emptying filling boxes: the fluid mechanics of natural ventilation.
    J. Fluid Mech. 212 (1990) 309-335: the flow goes with the root of what drives it, g = 1/2 (from
    memory).
"""

from __future__ import annotations

import math
import operator
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

__all__ = ["PER", "UP_TO", "Pipe", "pipes", "quarters", "washout"]

_TANKS = (1.0, 1.4, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 8.0)
_DEAD = (0.05, 0.12, 0.2, 0.28, 0.38)
_EXCHANGE = (0.4, 1.0, 2.5, 6.0, 15.0)
_SLOWING = (0.15, 0.3, 0.45, 0.6, 0.8, 1.0)
_STEP = 0.05
_WHOLE = 0.01
PER = 20
"""Entries of a course per time constant: every step."""
UP_TO = 10.0
"""Time constants up to which a course is tabled; later its last slope goes on."""
_FEW = 0.1
"""Share of dead legs that is usual: pipe is laid to drain, branches are short (setting, from
trials). Without it, the curves that fit early readings are mostly those of the worst pipes."""


@dataclass(frozen=True, slots=True)
class Pipe:
    """One pipe: its washout, and the logarithm of how likely it is before any reading.

    The washout's own numbers are kept beside it, by which its neighbours are found; ``slowing`` is
    g of a mixed volume whose flow falls.
    """

    course: tuple[float, ...]
    likely: float
    tanks: float
    dead: float
    exchange: float
    slowing: float = 0.0

    def share(self, turns: float) -> float:
        """Return the share of the first gas after so many time constants."""
        course = self.course
        place = turns * PER
        index = int(place)
        if index >= len(course) - 1:
            last, earlier = course[-1], course[-21]
            if last <= 0.0 or earlier <= 0.0:
                return 0.0
            return last * math.exp(math.log(last / earlier) * (place - len(course) + 1) / 20.0)
        low = course[index]
        return low + (course[index + 1] - low) * (place - index)

    def turns(self, share: float) -> float:
        """Return the time constants after which the share has fallen to ``share``."""
        course = self.course
        last, earlier = course[-1], course[-21]
        if share >= last:
            i = bisect_left(course, -share, key=operator.neg)
            if i == 0:
                return 0.0
            return (i - (share - course[i]) / (course[i - 1] - course[i])) / PER
        if last <= 0.0 or earlier <= last:
            return math.inf
        return (len(course) - 1 + 20.0 * math.log(share / last) / math.log(last / earlier)) / PER


def washout(tanks: float, dead: float, exchange: float) -> tuple[float, ...]:
    """Return the remote end's share of the first gas, every 0.05 time constants from 0 to 10.

    Parameters
    ----------
    tanks : 1 (well mixed) upwards; a fraction is that of a smaller last one.
    dead : share of the volume in dead legs, 0 to below 1.
    exchange : time in which they exchange, time constants, above zero.

    Examples
    --------
    One tank is the well-mixed sweep; two tanks after one time constant: (1 + 2) e^-2.

    >>> round(washout(1, 0.0, 1.0)[20], 3), round(math.exp(-1), 3)
    (0.368, 0.368)
    >>> round(washout(2, 0.0, 1.0)[20], 3), round(3 * math.exp(-2), 3)
    (0.406, 0.406)
    """
    sizes = [1.0 / tanks] * int(tanks)
    if tanks - int(tanks) > _WHOLE:
        sizes.append((tanks - int(tanks)) / tanks)
    parts = max(1, math.ceil(_STEP / (0.25 * (1.0 - dead) * min(sizes))))
    dt = _STEP / parts
    x, z = [1.0] * len(sizes), [1.0] * len(sizes)
    table = [1.0]
    for _ in range(round(UP_TO / _STEP)):
        for _ in range(parts):
            _advance(x, z, sizes, dead, exchange, dt)
        table.append(x[-1])
    return tuple(table)


def _advance(
    x: list[float], z: list[float], sizes: Sequence[float], dead: float, exchange: float, dt: float,
) -> None:
    """Advance by one step with each tank's exponential decay: stable, and exact at rest."""
    before = 0.0
    follow = -math.expm1(-dt / exchange)
    for i, size in enumerate(sizes):
        was, rate = x[i], dead * size / exchange
        rest = (before + rate * z[i]) / (1.0 + rate)
        x[i] = rest + (was - rest) * math.exp(-dt * (1.0 + rate) / (size * (1.0 - dead)))
        z[i] += (0.5 * (was + x[i]) - z[i]) * follow
        before = 0.5 * (was + x[i])


@cache
def pipes() -> tuple[Pipe, ...]:
    """Return the pipes that are tried: 1 to 8 tanks, dead legs of up to 38 %, flows that fall.

    Returns
    -------
    Every pipe of the grid, the plain ones first.

    Examples
    --------
    The first is the well-mixed sweep; after one time constant 1/e is left, and back:

    >>> round(pipes()[0].share(1.0), 3), round(pipes()[0].turns(math.exp(-1)), 2)
    (0.368, 1.0)
    """
    plain = [_pipe(k, 0.0, 1.0) for k in _TANKS]
    legs = [_pipe(k, d, r) for k in _TANKS for d in _DEAD for r in _EXCHANGE]
    return (*plain, *legs, *(_slowing(g) for g in _SLOWING))


def _pipe(tanks: float, dead: float, exchange: float, of: int = 1) -> Pipe:
    likely = -dead / _FEW - math.log(of)
    return Pipe(washout(tanks, dead, exchange), likely, tanks, dead, exchange)


def _slowing(g: float) -> Pipe:
    times = (i / PER for i in range(round(UP_TO * PER) + 1))
    return Pipe(tuple((1.0 + g * t) ** (-1.0 / g) for t in times), -g, 1, 0.0, 1.0, g)


def quarters(pipe: Pipe) -> tuple[Pipe, ...]:
    """Return four pipes with dead legs, closer together, that replace one of the grid.

    Parameters
    ----------
    pipe : one of :func:`pipes`.

    Returns
    -------
    Two shares of dead legs by two times of exchange, together as likely as the one; a pipe without
    dead legs stands for itself.

    Examples
    --------
    >>> [(p.dead, round(p.exchange, 2)) for p in quarters(pipes()[-len(_SLOWING) - 1])]
    [(0.355, 11.93), (0.355, 18.86), (0.405, 11.93), (0.405, 18.86)]
    >>> quarters(pipes()[0]) == (pipes()[0],)
    True
    """
    return _quarters(pipe.tanks, pipe.dead, pipe.exchange) if pipe.dead else (pipe,)


@cache
def _quarters(tanks: float, dead: float, exchange: float) -> tuple[Pipe, ...]:
    times = [math.exp(x) for x in _halves([math.log(r) for r in _EXCHANGE], math.log(exchange))]
    return tuple(_pipe(tanks, d, r, of=4) for d in _halves((0.0, *_DEAD), dead)
                 for r in times)


def _halves(grid: Sequence[float], at: float) -> tuple[float, float]:
    """Split the interval around entry ``at`` of ``grid`` in two; return the middle of each half."""
    i = grid.index(at)
    below = grid[i] - grid[i - 1] if i > 0 else grid[1] - grid[0]
    above = grid[i + 1] - grid[i] if i + 1 < len(grid) else below
    low, high = at - below / 2, at + above / 2
    return low + (high - low) / 4, high - (high - low) / 4
