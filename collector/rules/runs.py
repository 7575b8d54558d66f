"""Duration of the current state (a run, a mode), from samples with gaps."""

from __future__ import annotations

from dataclasses import dataclass

from collector.rules.base import Band, State, contact_band


@dataclass(slots=True, kw_only=True)
class Stretch(State):
    """One stretch of "on", as far as the samples show it.

    ``known`` is whether its start was seen (an "on" that follows an "off" without a gap); without
    that the stretch is only counted from what was seen. ``lost_at`` keeps the start of a stretch
    that a gap cut off, as ``lost_known`` keeps whether that was seen, until something else shows
    whether it went on; ``gap_at`` is the last sample before that gap.
    """

    on: bool | None = None
    start_at: int | None = None
    known: bool = False
    end_at: int | None = None
    lost_at: int | None = None
    lost_known: bool = False
    gap_at: int | None = None

    def sample(self, at: int, on: bool, before_at: int | None, gap: int) -> bool:
        """Apply a sample; return whether anything changed."""
        unbroken = before_at is not None and at - before_at <= gap
        if not on:
            changed = self.on is not False
            if changed:
                self.end_at = at
            self.on, self.lost_at, self.gap_at = False, None, None
            return changed
        if self.on and unbroken:
            return False
        if self.on:
            if self.lost_at is None:
                self.lost_at, self.lost_known, self.gap_at = self.start_at, self.known, before_at
            self.start_at, self.known = at, False
            return True
        self.start_at, self.known = at, self.on is False and unbroken
        self.on = True
        return True

    def went_on(self) -> None:
        """Settle a gap: the stretch went on."""
        if self.lost_at is not None:
            self.start_at, self.known = self.lost_at, self.lost_known
        self.lost_at = self.gap_at = None

    def ended(self) -> None:
        """Settle a gap: the stretch before it ended."""
        self.lost_at = self.gap_at = None

    def restart(self, at: int) -> None:
        """Count the stretch from ``at``: it was off for a moment between two samples."""
        self.start_at, self.known = at, False
        self.lost_at = self.gap_at = None

    def no_change_band(self) -> Band | None:
        return contact_band(self.on)
