"""The gas that runs of one compressor delivered, and the common rate behind them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from collector.physics.rungain import TAUS, Block, RunGain, run_gain, solve_shared
from collector.rules.base import State

_KEPT = 120
_MEMORY = 0.997
"""Weight, after one more run, of what was learned from one: some 300 runs are remembered. The
properties of a tank and its vents change slowly."""
_ODD = 3.0
"""How much larger (as a variance) than usual the misfit of a run may be before it counts less."""
_BLUNT, _SPAN, _SURE = 0.25, 0.4, 0.03
"""Share of a run unseen at its start and stop above which its slope gives its length; share of
it that its readings must span for that, and how rough they may be against its rise."""


@dataclass(slots=True, kw_only=True)
class Run(State):
    """One run, with the samples before and after it."""

    start_at: int = 0
    stop_at: int = 0
    clean: bool = False
    unseen: int = 0
    inner_series: list[list[float]] = field(default_factory=list)
    """Its first and its last readings: instant, whole, tank, heat columns."""


@dataclass(slots=True, kw_only=True)
class RunAccount(State):
    """Runs with the normal equations of their common unknowns: heat in the tank, flow of the vents.

    ``runs_series`` has rows of stop (ms), gas (psi of the tank), s, drawn (psi/s), variance of the
    gas, gas before the shared numbers, s by the contact alone, and sensitivities.
    """

    runs_series: list[list[float]] = field(default_factory=list)
    normal: list[list[float]] = field(default_factory=list)
    right: list[float] = field(default_factory=list)
    noise: float = 0.0
    """Variance (psi2) of one block of readings, by the rests."""
    learned: int = 0
    flow: float = 0.05
    """psi/s that a vent may draw at most: about half of a run's delivery."""
    settles: float = 0.0
    """Deviation of what regulators pass until they have settled, in the unit of the heat."""
    values: list[float] = field(default_factory=list)
    settled: list[float] = field(default_factory=list)
    covariance: list[list[float]] = field(default_factory=list)

    def solve(self) -> None:
        """Solve for the common unknowns of the runs."""
        found = solve_shared(self.normal, self.right, max(self.noise, 1e-6), self.flow,
                             self.settles)
        self.values, self.covariance = found.values.tolist(), found.covariance.tolist()
        self.settled = found.settled.tolist()

    def gas_of(self, row: Sequence[float]) -> float:
        """Return the gas (psi) of a run in ``runs_series``, by the common unknowns known now."""
        return row[5] - _dot(row[7:], self.values)

    def typical(self) -> float:
        """Return the gas (psi) of a usual run."""
        gas = sorted(r[1] for r in self.runs_series[-20:])
        return gas[len(gas) // 2] if gas else 0.0

    def add(self, run: Run, before: Sequence[Block], after: Sequence[Block], *, place: int,
            learn: bool) -> None:
        """Add a run with the rests before and after it; one already added is replaced.

        ``place`` is the index of the pressure, among a row of the run's own readings, that the
        blocks hold too.
        """
        gain = run_gain(before, after, run.start_at / 1000, run.stop_at / 1000)
        if gain is None:
            return
        if learn:
            self._learn(gain)
        values, heats = self.values, len(TAUS)
        gas = gain.gas - _dot(gain.sensitivity, values)
        # What vents drew is drawn too: only what dies away after a run is taken off.
        drawn = gain.drawn - _dot(gain.drawn_sensitivity[:heats], self._bends()[:heats])
        by_contact = (run.stop_at - run.start_at) / 1000
        seconds = self._length(run, gas - drawn * by_contact, values[:heats], place)
        if self.runs_series and self.runs_series[-1][0] == run.stop_at:
            self.runs_series.pop()
        self.runs_series.append([run.stop_at, gas, seconds, drawn, gain.variance, gain.gas,
                                 by_contact, *gain.sensitivity])
        del self.runs_series[:-_KEPT]

    def _bends(self) -> list[float]:
        """Return all that bends the rests: heat with what regulators pass, then the vents."""
        heats = len(TAUS)
        return [h + g for h, g in zip(self.values[:heats], self.settled, strict=True)
                ] + self.values[heats:]

    def _learn(self, gain: RunGain) -> None:
        values = self._bends()
        misfit = gain.rest - 2 * _dot(gain.right, values) + math.fsum(
            v * _dot(row, values) for v, row in zip(values, gain.normal, strict=True))
        odd = max(misfit / gain.freedom, 1e-9)
        if not self.learned:
            self.noise = odd
        weight = min(1.0, math.sqrt(_ODD * self.noise / odd))
        self.learned += 1
        self.noise += (min(odd, _ODD**2 * self.noise) - self.noise) / min(self.learned, 50)
        self.normal = [[_MEMORY * a + weight * b for a, b in zip(x, y, strict=True)]
                       for x, y in zip(self.normal, gain.normal, strict=True)]
        self.right = [_MEMORY * a + weight * b for a, b in zip(self.right, gain.right, strict=True)]
        rates = sorted(r[1] / r[2] for r in self.runs_series[-20:])
        self.flow = rates[len(rates) // 2] / 2 if rates else self.flow
        self.solve()

    def _length(self, run: Run, risen: float, heats: Sequence[float], place: int) -> float:
        """Return the length of a run, by its slope where its start and stop were hardly seen."""
        seconds, unseen = (run.stop_at - run.start_at) / 1000, run.unseen / 1000
        if len(run.inner_series) < 2 or unseen < _BLUNT * seconds:
            return seconds
        first, last = run.inner_series[0], run.inner_series[-1]
        span = (last[0] - first[0]) / 1000
        if span < _SPAN * seconds or math.sqrt(self.noise) > _SURE * risen:
            return seconds
        warm = _dot([b - a for a, b in zip(first[3:], last[3:], strict=True)], heats)
        rate = (last[place] - first[place] - warm) / span
        by_slope = risen / rate if rate > 0 else seconds
        return min(max(by_slope, seconds - unseen / 2), seconds + unseen / 2)


def empty_account(width: int) -> RunAccount:
    """Return an account of no runs with so many shared numbers."""
    found = RunAccount(right=[0.0] * width, normal=[[0.0] * width for _ in range(width)])
    found.solve()
    return found


def _dot(a: Sequence[float], b: Sequence[float]) -> float:
    return math.fsum(x * y for x, y in zip(a, b, strict=True))
