"""Maps time to x and value to y in a plot, and draws its axes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from collector.plots.axes import Axis, time_ticks
from collector.plots.shapes import Line, Shape, Text

__all__ = ["MARGIN", "Frame", "tick_words", "time_axis", "value_axis", "width_of"]


MARGIN = 20
"""Right of the frame: half the width of a tick's words at its end."""


def width_of(text: str, size: float = 12.0, *, bold: bool = False) -> float:
    """Return the approximate width of words, a little more than most fonts need."""
    return len(text) * size * (0.6 if bold else 0.56)


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The inner rectangle of a plot and what its edges mean (``low``, ``high`` as shown)."""

    left: float
    top: float
    right: float
    bottom: float
    start: int
    end: int
    low: float = 0.0
    high: float = 1.0

    def x(self, time: int) -> float:
        """Return the x of an instant, within the frame."""
        share = (time - self.start) / max(self.end - self.start, 1)
        return self.left + min(max(share, 0.0), 1.0) * (self.right - self.left)

    def y(self, shown: float) -> float:
        """Return the y of a value as the axis shows it, within the frame."""
        share = (shown - self.low) / (self.high - self.low)
        return self.bottom - min(max(share, 0.0), 1.0) * (self.bottom - self.top)


def time_axis(frame: Frame, zone: ZoneInfo) -> Iterator[Shape]:
    """Draw the time axis under the frame: ticks, their words, the wider date below them."""
    at_most = max(int((frame.right - frame.left) // 68), 2)
    ticks = time_ticks(frame.start, frame.end, zone, at_most)
    marks = [frame.x(tick.time) for tick in ticks]
    yield Line(style="plot-grid", runs=[((x, frame.top), (x, frame.bottom)) for x in marks])
    yield Line(style="plot-frame", runs=[
        ((frame.left, frame.bottom), (frame.right, frame.bottom)),
        *(((x, frame.bottom), (x, frame.bottom + 4)) for x in marks),
    ])
    free = 0.0
    for tick, x in zip(ticks, marks, strict=True):
        yield Text(style="plot-axis", x=x, y=frame.bottom + 17, text=tick.text, anchor="middle")
        half = width_of(tick.under) / 2
        x = min(max(x, half + 2), frame.right + MARGIN - half)
        if tick.under and x - half >= free:
            yield Text(style="plot-axis", x=x, y=frame.bottom + 32, text=tick.under,
                       anchor="middle")
            free = x + half + 6


def tick_words(ticks: Sequence[float]) -> list[str]:
    """Write ticks with as many decimals as their step needs."""
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    digits = next((d for d in range(6) if abs(round(step, d) - step) < step * 1e-6), 6)
    return [f"{tick:.{digits}f}".replace("-", "−") for tick in ticks]


def value_axis(frame: Frame, ticks: Sequence[float], axis: Axis) -> Iterator[Shape]:
    """Draw the value axis left of the frame, its unit above it."""
    yield Line(style="plot-grid", runs=[
        ((frame.left, frame.y(tick)), (frame.right, frame.y(tick))) for tick in ticks
    ])
    for tick, words in zip(ticks, tick_words(ticks), strict=True):
        yield Text(style="plot-axis", x=frame.left - 7, y=frame.y(tick) + 4, text=words,
                   anchor="end")
    if axis.unit:
        yield Text(style="plot-unit", x=frame.left - 7, y=frame.top - 10, text=axis.unit,
                   anchor="end")
