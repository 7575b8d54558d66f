"""Staleness of points and sources, and readings that are late or of a clock set back."""

from __future__ import annotations

from collections.abc import Iterable

from collector.domain.units import MINUTE
from collector.rules.inputs import Inputs

_SWEEP = 30_000
"""ms between checks."""

CLOCK_SET = 2000
"""ms by which time must run backwards to count as a clock that was set."""

_OUT_OF_ORDER = MINUTE
"""ms by which recorded rows may be out of order: readings later than that may mean a set clock."""

_LATE_FOR_GOOD = 5000
"""ms of their own time that such readings must go on, with none in time, to prove it."""


class Staleness:
    """Checks every 30 s which of some points have had no sample for too long."""

    def __init__(self, inputs: Inputs, names: Iterable[str]) -> None:
        self._inputs = inputs
        self._points = [inputs.point(name) for name in names]
        self.points: set[str] = set()
        """Stale points; their next sample has its rules evaluated."""
        self.next_at: int | None = None
        """Time of the next check, ms."""

    def __repr__(self) -> str:
        return f"Staleness({len(self.points)} points, next_at={self.next_at})"

    def begin(self, now: int) -> None:
        """Set the first check."""
        self.next_at = now + _SWEEP

    def _look_after(self, now: int) -> None:
        self.next_at = now // _SWEEP * _SWEEP + _SWEEP

    def look_again(self, now: int) -> None:
        """Check soon: readings after ``now`` are no longer known in advance."""
        if self.next_at is not None and self.next_at > now + _SWEEP:
            self._look_after(now)

    def look(self, now: int) -> list[str]:
        """Return the points that became stale since the last check; none before its time."""
        if self.next_at is None or now < self.next_at:
            return []
        self._look_after(max(now, self._inputs.known_until))
        silent = {source.id for source in self._inputs.sources.values() if source.silent(now)}
        found, just_now = [], now - self._inputs.least_gap
        for point in self._points:
            at = point.at
            # Most have a sample of just now: none of those asks for its gap.
            if at is None or (at >= just_now and not silent) or point.name in self.points:
                continue
            if point.source.id in silent or now - at > point.max_gap():
                found.append(point.name)
        self.points.update(found)
        return found


class Lateness:
    """Distinguishes late readings from a clock that was set back.

    Single late readings and rows out of order within a minute are late. Older readings that keep
    coming, with no current one between them, mean that the clock was set back.
    """

    def __init__(self) -> None:
        self.since: int | None = None
        """Time of the first such reading (ms), ``None`` without any."""

    def __repr__(self) -> str:
        return f"Lateness(since={self.since})"

    def check(self, at: int, now: int | None) -> int | None:
        """Check a reading's time against ``now``, the newest of all.

        Return what the clock was set back to, once it is proven.
        """
        if now is None or at >= now - CLOCK_SET:
            self.since = None
            return None
        if at >= now - _OUT_OF_ORDER:
            return None
        if self.since is None or at < self.since:
            self.since = at
            return None
        return self.since if at - self.since >= _LATE_FOR_GOOD else None
