"""A clock for stories: it runs fast through the waits and slowly while a person acts."""

from __future__ import annotations

import asyncio
import time

__all__ = ["StoryClock"]


class StoryClock:
    """Starts at ``origin`` (ms) and runs ``speed`` times as fast as the machine's own clock."""

    def __init__(self, origin: int, speed: float) -> None:
        self._origin, self._passed, self._from = origin, 0.0, time.monotonic()
        self.speed = speed

    def run(self, speed: float) -> None:
        """Go on at another speed."""
        self._passed, self._from = self._since_origin(), time.monotonic()
        self.speed = speed

    def _since_origin(self) -> float:
        return self._passed + (time.monotonic() - self._from) * 1000 * self.speed

    def now(self) -> int:
        return self._origin + self.monotonic()

    def monotonic(self) -> int:
        return int(self._since_origin())

    async def sleep(self, duration: int) -> None:
        end = self._since_origin() + duration
        while (left := end - self._since_origin()) > 0:  # noqa: ASYNC110
            # In short stretches, since the speed may change meanwhile.
            await asyncio.sleep(min(left / 1000 / self.speed, 0.05))
