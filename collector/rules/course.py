"""Extrapolation of a reading that settles after a start."""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.rules.base import State

_ROWS = 24
_WIDTH = 5_000  # ms; the first stretches, twice as long whenever there are too many
_LEVEL = 0.1  # %; one step of a common analyser: what falls by less from third to third is level
_TRUSTED = 0.2
"""Largest remaining fall, as a share of the fall seen, that is extrapolated: five parts of
six have then passed, and what bends the course otherwise, as a second lag does, is over."""


@dataclass(slots=True, kw_only=True)
class Course(State):
    """Means of the readings over at most 24 stretches since :attr:`begun_at`.

    An analyser whose sample line held air during a rest, and a separator that has to warm, fall
    towards their level by ever smaller steps. Over three equal parts of the course the means of an
    exponential form a geometric row, and its limit is where the fall ends (Aitken's method). A fall
    that does not slow from one third to the next has no end that could be computed yet.
    """

    begun_at: int | None = None
    width: int = _WIDTH
    row_series: list[list[float]] = field(default_factory=list)
    """Instant of the first reading, sum and number of the readings."""

    def begin(self) -> None:
        self.begun_at, self.width, self.row_series = None, _WIDTH, []

    def add(self, at: int, value: float) -> None:
        """Add a reading."""
        if self.begun_at is None:
            self.begun_at = at
        rows, begun = self.row_series, self.begun_at
        if rows and (at - begun) // self.width == (rows[-1][0] - begun) // self.width:
            rows[-1][1] += value
            rows[-1][2] += 1
            return
        if len(rows) >= _ROWS:
            rows = [[a[0], a[1] + b[1], a[2] + b[2]]
                    for a, b in zip(rows[::2], rows[1::2], strict=True)]
            self.width *= 2
        self.row_series = [*rows, [at, value, 1]]

    def end(self, at: int, value: float) -> float | None:
        """Return the value at which it settles, by the readings so far; ``None``: not known yet."""
        thirds = [[0.0, 0.0], [0.0, 0.0], [0.0, 0.0]]
        top = max((total / count for _, total, count in self.row_series), default=value)
        rows = self.row_series
        # It first rises, by its own lag; what follows the top is the fall.
        while rows and rows[0][1] / rows[0][2] < top - _LEVEL:
            rows = rows[1:]
        begun = rows[0][0] if rows else at
        for start, total, count in rows:
            third = thirds[min(int(3 * (start - begun) / max(at - begun, 1)), 2)]
            third[0] += total
            third[1] += count
        if any(not count for _, count in thirds):
            held = all(total / count - value <= _LEVEL for _, total, count in self.row_series)
            return value if held else None
        first, second, last = (total / count for total, count in thirds)
        before, falls = first - second, second - last
        if falls <= _LEVEL:
            return value
        if before <= falls:
            return None
        end = last - falls * falls / (before - falls)
        return end if value - end <= _TRUSTED * (top - value) else None
