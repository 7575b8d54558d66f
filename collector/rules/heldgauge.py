"""A pressure gauge that repeats one value while the plant moves.

It is checked about once a minute, and all counts are of checks. Three signs count, whatever the
step of the gauge: a compressor that ran whole runs without moving the tank's gauge; a riser's last
digit that used to swing to both sides of one value, and so would leave any value soon; and two days
at one value of a gauge that wandered and never rested for an eighth as long. A coarse gauge at a
steady regulator shows none of them, and may rest for weeks.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

from collector.domain.units import HOUR
from collector.rules.base import State

_APART = 50_000
"""Shortest ms between checks."""
_MARGIN = 8
_LEAST_RAN = 8
"""Looks at a running compressor without a change, at least; its tank moves with every one."""
_KNOWN_RAN = 30
_TWO_DAYS = 48 * HOUR
_KNOWN = 5 * 1440
_WANDERS = 5
_FEWEST = 10
"""Swings needed to know the scatter of readings, and their least share of all checks."""
_SHARE = 0.002
_SURE = 30.0
"""Flickers that should have come in the time: e to the minus that is the chance of none."""
_FOUR_HOURS = 240
_SWIFT = 240_000
"""ms of the longest unbroken gap of polls a minute apart; between slower ones the plant swings."""


@dataclass(slots=True, kw_only=True)
class HeldGauge(State):
    """One gauge: since when it repeats its value, and what it did before."""

    value: float | None = None
    look_at: int | None = None
    held_at: int | None = None
    looks: int = 0
    longest: int = 0
    seen: int = 0
    had: list[float] = field(default_factory=list)
    """The first few values it had."""
    recent: list[float] = field(default_factory=list)
    """The values of the last checks."""
    swings: int = 0
    """Times that it went from a value to one side, back, to the other side and back."""
    running: bool = False
    on: int = 0
    """Checks in the current run since it last changed."""
    runs: int = 0
    """Runs that ended since it last changed."""
    ran: int = 0
    """Checks in those runs."""
    longest_ran: int = 0
    seen_ran: int = 0
    frozen: str = ""
    """By what it was found: ``run``, ``flicker`` or ``rest``, or ``device`` where that stood still
    as a whole before; empty while it is not."""

    def look(
        self, at: int, value: float, gap: int, running: bool | None, moved_at: Callable[[], int],
    ) -> None:
        """Check the value at ``at`` (ms).

        ``running`` is whether the compressor that fills it runs, ``None`` for what none fills
        directly. ``moved_at`` returns when (ms) anything on the site last moved.
        """
        if self.look_at is not None and at - self.look_at < _APART:
            return
        if self.look_at is None or at - self.look_at > gap + 2 * _APART:
            # Time without answers is not time in which it said the same.
            self.held_at, self.recent = at, []
            self.looks = self.on = self.runs = self.ran = 0
        self._count_run(running is True)
        if value != self.value:
            self._changed(at)
        else:
            self.looks += 1
        self._learn(value, gap <= _SWIFT)
        self.value, self.look_at = value, at
        if not self.frozen and self.looks >= _LEAST_RAN:
            self.frozen = self._found(at, running is None, moved_at)

    def _count_run(self, running: bool) -> None:
        if running:
            self.on += 1
            self.seen_ran += 1
        elif self.running:
            self.runs, self.ran, self.on = self.runs + 1, self.ran + self.on, 0
        self.running = running

    def _changed(self, at: int) -> None:
        looks, ran = self.looks, self.ran
        if self.frozen:
            # If it was alive after all, twice as long will not be called frozen.
            looks, ran = min(looks, 2 * self.longest), min(ran, 2 * self.longest_ran)
        self.longest, self.longest_ran = max(self.longest, looks), max(self.longest_ran, ran)
        self.held_at, self.frozen, self.on = at, "", min(self.on, 1)
        self.looks = self.runs = self.ran = 0

    def _learn(self, value: float, swift: bool) -> None:
        """Count a check, and the last five where they swung to both sides of one value."""
        self.seen += 1
        if len(self.had) < _WANDERS and value not in self.had:
            self.had.append(value)
        self.recent = [*self.recent, value][-5:]
        if swift and len(self.recent) == 5:
            first, one, middle, other, last = self.recent
            low, high = min(first, middle, last), max(first, middle, last)
            # What drifts, or is drawn down and filled, does not leave both ways within minutes.
            self.swings += other < low <= high < one or one < low <= high < other

    def _found(self, at: int, steady: bool, moved_at: Callable[[], int]) -> str:
        before = self.seen_ran - self.on - self.ran
        if self.runs > 1 and before >= _KNOWN_RAN and \
                self.ran > max(_LEAST_RAN, _MARGIN * self.longest_ran):
            return "run"
        # A tank that is filled and drawn on comes back to a value without any scatter.
        if steady and self.looks >= _FOUR_HOURS and self.looks * self._flickers() > _SURE:
            return "flicker"
        held_at = self.held_at or at
        if at - held_at > _TWO_DAYS and len(self.had) == _WANDERS and \
                self.seen - self.looks >= _KNOWN and self.looks > _MARGIN * self.longest and \
                moved_at() > held_at:
            return "rest"
        return ""

    def _flickers(self) -> float:
        """Return the least share of looks that should differ from a value, wherever it lies.

        A true value midway between two steps of the gauge is left least often, by a share p to each
        side, and there swings are most frequent: less than 2 p^2 of all looks.
        """
        before = self.seen - self.looks
        if self.swings < max(_FEWEST, _SHARE * before):
            return 0.0
        return min(2.0 * math.sqrt(self.swings / before / 2.0), 0.4)
