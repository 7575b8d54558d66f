"""How often somebody may try: a bounded memory of failures by whom. Pure; time is a parameter."""

from __future__ import annotations

from collections import OrderedDict, deque

__all__ = ["Limiter"]


class Limiter:
    """Counts tries by key within a window of ``window`` ms; ``most`` are let through.

    ``kept`` keys are remembered at most; the one longest unheard of goes first.
    """

    def __init__(self, *, most: int, window: int, kept: int = 1000) -> None:
        self._most, self._window, self._kept = most, window, kept
        self._tries: OrderedDict[str, deque[int]] = OrderedDict()

    def __repr__(self) -> str:
        return f"Limiter({self._most} in {self._window} ms, {len(self._tries)} remembered)"

    def _recent(self, key: str, now: int) -> deque[int]:
        tries = self._tries.setdefault(key, deque(maxlen=self._most))
        self._tries.move_to_end(key)
        while tries and now - tries[0] >= self._window:
            tries.popleft()
        while len(self._tries) > self._kept:
            self._tries.popitem(last=False)
        return tries

    def allows(self, key: str, now: int) -> bool:
        """Whether another try of ``key`` at ``now`` (ms, monotonic) is within bounds."""
        return len(self._recent(key, now)) < self._most

    def count(self, key: str, now: int) -> None:
        """Remember a try."""
        self._recent(key, now).append(now)
