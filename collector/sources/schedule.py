"""When a device is asked: a steady grid, and fewer real attempts while it is silent. Pure."""

from __future__ import annotations

import random
import zlib
from dataclasses import dataclass

__all__ = ["BackOff", "Grid"]

_LONGEST = 60_000
_MOST_STEPS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Multiples of ``every`` ms since 1970, moved by ``phase`` ms so that devices do not bunch."""

    every: int
    phase: int

    @classmethod
    def of(cls, device: str, every: int) -> Grid:
        """Return the grid of a device; the phase follows from its id, the same at every start."""
        return cls(every=every, phase=zlib.crc32(device.encode()) % max(1, min(every // 4, 500)))

    def next(self, now: int) -> int:
        """Return the first instant of the grid after ``now``."""
        return (now - self.phase) // self.every * self.every + self.every + self.phase


class BackOff:
    """How many grid steps to leave out after failures in a row.

    The time to the next attempt doubles from one step to 60 s or 12 steps, whichever is shorter,
    and is then shortened by up to half at random: devices that fell silent together (a power cut)
    must not be asked together for ever.
    """

    def __init__(self, every: int, rng: random.Random) -> None:
        self._every = every
        self._most = max(every, min(_LONGEST, _MOST_STEPS * every))
        self._rng = rng
        self._failures = 0
        self._left = 0

    def __repr__(self) -> str:
        return f"BackOff({self._failures} failures in a row, {self._left} steps to leave out)"

    @property
    def wait(self) -> int:
        """Time to the next attempt beyond the ordinary step, in ms; 0 when that step is one."""
        return self._left * self._every

    def skip(self) -> bool:
        """Count a grid step; return whether it is to be left out."""
        if self._left == 0:
            return False
        self._left -= 1
        return True

    def failed(self) -> None:
        """Count a real attempt that brought no answer at all."""
        self._failures += 1
        whole = min(self._every << min(self._failures - 1, 16), self._most) // self._every
        steps = whole - self._rng.randint(0, whole // 2)
        self._left = max(steps, 1) - 1

    def answered(self) -> None:
        """Back to every step."""
        self._failures = self._left = 0
