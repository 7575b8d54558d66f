"""Flicker of a sensor's last digit: the share of readings that turn back."""

from __future__ import annotations

from dataclasses import dataclass

from collector.rules.base import State

_SAME = 1e-9
_MEMORY = 300
_BY_CHANCE = 20
"""Equal readings in a row that may still be chance; more are not counted, as if frozen."""
_LIVELY = 0.05
"""Share of readings that turn back below which a constant reading proves nothing."""


@dataclass(slots=True, kw_only=True)
class Flicker(State):
    """Share of the last 300 readings that turned back; a gas that moves only changes one way."""

    last: float | None = None
    way: float = 0.0
    """The last change."""
    share: float = 0.0
    held: int = 0
    """Readings in a row that were the same as the one before."""

    def add(self, value: float) -> bool:
        """Add a reading; return whether it differs from the one before."""
        change = _SAME if self.last is None else value - self.last
        self.last = value
        if abs(change) >= _SAME:
            self.share += ((change * self.way < 0.0) - self.share) / _MEMORY
            self.way, self.held = change, 0
            return True
        self.held += 1
        if self.held <= _BY_CHANCE:
            self.share -= self.share / _MEMORY
        return False

    @property
    def lively(self) -> bool:
        """Whether a constant reading would be abnormal."""
        return self.share >= _LIVELY
