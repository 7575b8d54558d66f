"""Finds the points that fell silent without a word."""

from __future__ import annotations

from collections.abc import Iterable

from collector.rules.inputs import Inputs

__all__ = ["Staleness"]

_SWEEP = 30_000
"""ms between looks."""


class Staleness:
    """Looks now and then which of some points have gone without a sample for too long."""

    def __init__(self, inputs: Inputs, names: Iterable[str]) -> None:
        self._inputs = inputs
        self._watched = [inputs.point(name) for name in names]
        self.points: set[str] = set()
        """What is silent; its next sample is news."""
        self.next_at: int | None = None
        """When to look next, ms."""

    def __repr__(self) -> str:
        return f"Staleness({len(self.points)} points, next_at={self.next_at})"

    def begin(self, now: int) -> None:
        """Set the first look."""
        self.next_at = now + _SWEEP

    def _look_after(self, now: int) -> None:
        self.next_at = now // _SWEEP * _SWEEP + _SWEEP

    def look_again(self, now: int) -> None:
        """Take it that nothing is known any longer of what comes after ``now``."""
        if self.next_at is not None and self.next_at > now + _SWEEP:
            self._look_after(now)

    def look(self, now: int) -> list[str]:
        """Return which have gone silent since the last look; none before its time."""
        if self.next_at is None or now < self.next_at:
            return []
        self._look_after(max(now, self._inputs.heard_until))
        silent = {source.id for source in self._inputs.sources.values() if source.silent(now)}
        found, just_now = [], now - self._inputs.least_gap
        for point in self._watched:
            at = point.at
            # Most have a sample of just now: none of those asks for its gap.
            if at is None or (at >= just_now and not silent) or point.name in self.points:
                continue
            if point.source.id in silent or now - at > point.max_gap():
                found.append(point.name)
        self.points.update(found)
        return found
