"""Properties of a gauge: its resolution and its scatter from one reading to the next."""

from __future__ import annotations

from dataclasses import dataclass

from collector.rules.base import State

_LEAST = 1e-3
"""psi; a smaller difference is rounding of the arithmetic, not a step of a gauge."""
_HITS = 3
_MEMORY = 0.01
_FROM_BENDS = 0.512
"""Mean absolute second difference of normal readings to the deviation of one: sqrt(pi/12)."""


@dataclass(slots=True, kw_only=True)
class GaugeNoise(State):
    """Step and scatter (psi) of one gauge, learned from its readings.

    The step is the smallest difference that is seen again and again: a dropped decimal shows a
    smaller one once or twice. The scatter forgets over some hundred readings, and a fall that has
    just begun moves it little.
    """

    step: float = 0.0
    scatter: float = 0.0
    last: float | None = None
    moved: float = 0.0
    candidate: float = 0.0
    hits: int = 0

    def learn(self, value: float) -> None:
        """Take the next reading."""
        if self.last is None:
            self.last = value
            return
        moved = value - self.last
        change, bend = abs(moved), abs(moved - self.moved)
        self.last, self.moved = value, moved
        # The second difference: a steady fall is no scatter.
        most = 5.0 * self.scatter + max(self.step, 0.02)
        self.scatter += _MEMORY * (_FROM_BENDS * min(bend, most) - self.scatter)
        if change < _LEAST or (self.step and change > 0.9 * self.step):
            return
        if self.candidate and 0.9 * self.candidate < change < 1.1 * self.candidate:
            self.hits += 1
        elif not self.candidate or change < self.candidate:
            self.candidate, self.hits = change, 1
        if self.hits >= _HITS:
            self.step, self.candidate, self.hits = self.candidate, 0.0, 0

    @property
    def deviation(self) -> float:
        """Deviation (psi) of one reading, the step's own rounding in it."""
        return max(self.scatter, 0.29 * self.step)
