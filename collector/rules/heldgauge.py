"""A pressure gauge that repeats one value while the plant moves.

Looked at about once a minute, so that all counts are of looks. Three things tell, whatever the step
of the gauge: a compressor that ran whole runs without moving the tank's gauge; a riser's last digit
that used to flicker to both sides of one value, and so would leave any value soon; and two days at
one value of a gauge that wandered and never rested for an eighth as long. A coarse gauge at a
steady regulator shows none of them, and may rest for weeks.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from statistics import NormalDist

from collector.rules.base import State

__all__ = ["HeldGauge"]

_APART = 50_000
"""ms between looks at least."""
_MARGIN = 8
_LEAST_RAN = 8
"""Looks at a running compressor without a change, at least; its tank moves with every one."""
_KNOWN_RAN = 30
_TWO_DAYS = 48 * 3_600_000
_KNOWN = 5 * 1440
_WANDERS = 5
_BASES = 8
_FEWEST = 10
"""Flickers to each side of one value that tell how far a reading scatters."""
_SHARE = 0.02
_SURE = 30.0
"""Flickers that should have come in the time: e to the minus that is the chance of none."""
_HOUR_OF_LOOKS = 60
_NORMAL = NormalDist()


@dataclass(slots=True, kw_only=True)
class HeldGauge(State):
    """One gauge: since when it repeats its value, and what it did before."""

    value: float | None = None
    look_at: int | None = None
    held_at: int | None = None
    before: float | None = None
    looks: int = 0
    longest: int = 0
    seen: int = 0
    values: int = 0
    """Values it was seen to change to, those it came back to after long counted again."""
    bases: list[list[float]] = field(default_factory=list)
    """The most frequent values: value, looks, flickers to more, flickers to less."""
    running: bool = False
    on: int = 0
    """Looks of the run under way since it last changed."""
    ran: int = 0
    """Looks of the runs that ended since it last changed."""
    longest_ran: int = 0
    seen_ran: int = 0
    frozen: str = ""
    """By what it was found: ``run``, ``flicker`` or ``rest``; empty while it is not."""

    def look(self, at: int, value: float, gap: int, running: bool | None, moved_at: int) -> None:
        """Take what it reads at ``at`` (ms).

        ``running`` is whether the compressor that fills it runs, ``None`` for what none fills
        directly. ``moved_at`` (ms) is when anything on the site last moved.
        """
        if self.look_at is not None and at - self.look_at < _APART:
            return
        if self.look_at is None or at - self.look_at > gap + 2 * _APART:
            # Time without answers is not time in which it said the same.
            self.held_at, self.looks, self.on, self.ran, self.before = at, 0, 0, 0, None
        self._count_run(running is True)
        if value != self.value:
            self._changed(at)
        else:
            self.looks += 1
        self._learn(value)
        self.before, self.value, self.look_at = self.value, value, at
        if not self.frozen and self.looks >= _LEAST_RAN:
            self.frozen = self._found(at, running is None, moved_at)

    def _count_run(self, running: bool) -> None:
        if running:
            self.on += 1
            self.seen_ran += 1
        elif self.running:
            self.ran, self.on = self.ran + self.on, 0
        self.running = running

    def _changed(self, at: int) -> None:
        looks, ran = self.looks, self.ran
        if self.frozen:
            # If it was alive after all, twice as long will not be called frozen.
            looks, ran = min(looks, 2 * self.longest), min(ran, 2 * self.longest_ran)
        self.longest, self.longest_ran = max(self.longest, looks), max(self.longest_ran, ran)
        self.held_at, self.looks, self.ran, self.frozen = at, 0, 0, ""
        self.on = min(self.on, 1)

    def _learn(self, value: float) -> None:
        """Count a look at its value, and the one before as a flicker where it came back."""
        self.seen += 1
        row = next((r for r in self.bases if r[0] == value), None)
        if row is None:
            self.values += 1
            if len(self.bases) == _BASES:
                self.bases.remove(min(self.bases, key=lambda r: r[1]))
            row = [value, 0, 0, 0]
            self.bases.append(row)
        row[1] += 1
        last = self.value
        if self.before == value and last is not None and last != value:
            row[2 if last > value else 3] += 1

    def _found(self, at: int, steady: bool, moved_at: int) -> str:
        if self.seen_ran >= _KNOWN_RAN and self.ran > max(_LEAST_RAN, _MARGIN * self.longest_ran):
            return "run"
        # A tank that is filled and drawn on comes back to a value without any scatter.
        if steady and self.looks >= _HOUR_OF_LOOKS and self.looks * self._flickers() > _SURE:
            return "flicker"
        held_at = self.held_at
        rests = held_at is not None and at - held_at > _TWO_DAYS and moved_at > held_at
        if rests and self.values >= _WANDERS and self.seen - self.looks >= _KNOWN and \
                self.looks > _MARGIN * self.longest:
            return "rest"
        return ""

    def _flickers(self) -> float:
        """Return the least share of looks that should differ from a value, wherever it lies.

        Readings of one deviation leave a value by half a step; midway between its neighbours they
        do so least. How often they go to each side of a value tells where it lies and how far they
        scatter.
        """
        best = 0.0
        for _, looks, more, less in self.bases:
            if min(more, less) >= max(_FEWEST, _SHARE * looks):
                step = -_NORMAL.inv_cdf(min(more / looks, 0.5)) - _NORMAL.inv_cdf(
                    min(less / looks, 0.5))
                best = max(best, 2.0 * _NORMAL.cdf(-step / 2.0))
        return best
