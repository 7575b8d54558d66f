"""Time that a 0/1 point was on, from samples that have gaps and may be frozen."""

from __future__ import annotations

from dataclasses import dataclass

from collector.rules.base import Band, State, contact_band
from collector.rules.inputs import Point, Source

STILL_OFF = 8
"""Factor by which values may stay constant longer with the compressor off than running."""

Span = tuple[int, int, bool]
"""From, to (ms), and whether it was on."""


@dataclass(slots=True, kw_only=True)
class OnTime(State):
    """Splits time into known time on, known time off, and time not known.

    A change between two samples is taken to have happened half way. Time across a gap is not
    known. Nor is time in which the device sent numbers that never changed: a running compressor
    moves its tank and its hour counter, so values constant for longer than ``limit`` come
    from a frozen device (a compressor that is off may leave a tight plant still for longer,
    :data:`STILL_OFF`). A shorter constant time is not settled yet, but :meth:`pending`.
    """

    on: bool | None = None
    told_at: int | None = None
    doubt: bool = False

    def sample(
        self, at: int, on: bool, before_at: int | None, gap: int,
    ) -> tuple[list[Span], int]:
        """Apply a sample; return the spans that it settles, and the spacing (ms) of a change.

        Samples that follow in time and show the same may be left out. The spacing is 0 where the
        sample was no change that was seen.
        """
        spans: list[Span] = []
        if self.on is None or self.told_at is None or before_at is None:
            self.on, self.told_at = on, at
            return spans, 0
        unbroken, changed = at - before_at <= gap, on != self.on
        if unbroken and not changed:
            return spans, 0
        end = (before_at + at) // 2 if unbroken else before_at
        if end > self.told_at and not self.doubt:
            spans.append((self.told_at, end, self.on))
        begin = end if unbroken and not self.doubt else at
        self.told_at = max(self.told_at, begin)
        if changed:
            self.on, self.doubt = on, False
        return spans, at - before_at if unbroken else 0

    def look(self, point: Point, limit: int) -> list[Span]:
        """Check whether the device is frozen; return the spans that this settles.

        To be called well within ``limit`` (ms) of the last time.
        """
        source, seen = point.source, point.at
        if self.on is None or self.told_at is None or seen is None or seen <= self.told_at:
            return []
        proven = self._proven(source, seen)
        frozen = source.still() > (limit if self.on else STILL_OFF * limit)
        was, self.doubt = self.doubt, frozen
        spans = [] if was or proven <= self.told_at else [(self.told_at, proven, self.on)]
        self.told_at = seen if was or frozen else max(self.told_at, proven)
        return spans

    def _proven(self, source: Source, seen: int) -> int:
        if not source.still() or source.moved_at is None:
            return seen
        return min(source.moved_at, seen)

    def pending(self, until: int | None) -> Span | None:
        """Return the time up to ``until`` (ms) that is known unless it proves frozen later."""
        if self.on is None or self.told_at is None or until is None or self.doubt:
            return None
        return (self.told_at, until, self.on) if until > self.told_at else None


@dataclass(slots=True, kw_only=True)
class Steady(State):
    """A debounced on/off signal: a change counts once it has lasted."""

    on: bool | None = None
    raw: bool | None = None
    raw_at: int | None = None

    def sample(self, at: int, raw: bool) -> bool:
        """Apply a sample (after :meth:`settle` at its time); return whether it was a change."""
        if self.raw is None:
            self.on = raw
        elif raw is self.raw:
            return False
        self.raw, self.raw_at = raw, at
        return True

    def settle(self, now: int, hold: int) -> int | None:
        """Accept a change that has lasted ``hold`` ms; return when it began, or ``None``."""
        ripe = self.ripe(hold)
        if ripe is None or now < ripe:
            return None
        self.on = self.raw
        return self.raw_at

    def ripe(self, hold: int) -> int | None:
        """Return when the pending change will count, or ``None`` without one."""
        if self.raw is self.on or self.raw_at is None:
            return None
        return self.raw_at + hold

    def no_change_band(self) -> Band | None:
        return contact_band(self.on) if self.raw is self.on else None
