"""Falls of a riser's pressure between refills, each from a peak to the low that a refill ends."""

from __future__ import annotations

from dataclasses import dataclass

from collector.rules.base import State

_TURN = 0.2  # psi; a refill lifts the riser by more, noise by less


@dataclass(slots=True, kw_only=True)
class DecaySegments(State):
    """The sum of the falls since :attr:`since_at`, and the fall in progress."""

    since_at: int = 0
    down: bool = False
    """Whether the pressure is on its way down since ``peak``, else up."""
    peak: float | None = None
    peak_at: int = 0
    low: float = 0.0
    low_at: int = 0
    fell: float = 0.0
    lasted: int = 0

    def begin(self, at: int, value: float | None = None) -> None:
        self.since_at = self.peak_at = at
        self.peak, self.down, self.fell, self.lasted = value, False, 0.0, 0

    def add(self, at: int, value: float) -> None:
        if self.peak is None:
            self.begin(at, value)
        elif not self.down:
            if value >= self.peak:
                self.peak, self.peak_at = value, at
            elif value < self.peak - _TURN:
                self.down, self.low, self.low_at = True, value, at
        elif value <= self.low:
            self.low, self.low_at = value, at
        elif value > self.low + _TURN:
            self.fell, self.lasted = self.so_far()
            self.down, self.peak, self.peak_at = False, value, at

    def so_far(self) -> tuple[float, int]:
        """Return the sum of the falls (psi) and how long they took (ms)."""
        if not self.down or self.peak is None:
            return self.fell, self.lasted
        return self.fell + self.peak - self.low, self.lasted + self.low_at - self.peak_at
