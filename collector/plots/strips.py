"""Lays out strips over time: one row each, bars where a contact was on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from zoneinfo import ZoneInfo

from collector.plots.axes import MARGIN, Frame, time_axis, width_of
from collector.plots.plot_data import Bar, BarKind, Bars
from collector.plots.shapes import Area, Drawing, Shape, Text, box

__all__ = ["draw_strips"]

_ROW, _BAR, _MOST = 22, 13, 700
_NAME, _EDGE = 17, 24
"""Height of a name above its strip, and what the words of the first tick take at the left."""
_BESIDE = 0.25
"""Share of the width that names beside the strips may take."""
_STYLES = {BarKind.RUN: "plot-run", BarKind.ALARM: "plot-run-alarm",
           BarKind.MUTED: "plot-run-muted"}


def draw_strips(bars: Bars) -> Drawing:
    """Lay out strips."""
    left = 14 + max((width_of(label) for label, _ in bars.rows), default=0.0)
    # Names that would take too much of the width go above their strips.
    above = left > bars.width * _BESIDE
    height = _ROW + _NAME if above else _ROW
    frame = Frame(left=_EDGE if above else left, top=4, right=bars.width - MARGIN,
                  bottom=8 + height * max(len(bars.rows), 1), start=bars.start, end=bars.end)
    shapes: list[Shape] = []
    for number, (label, row) in enumerate(bars.rows):
        top = frame.top + height * number + 4
        if above:
            top += _NAME
            shapes.append(Text(style="plot-axis", x=frame.left, y=top - 5, text=label))
        else:
            shapes.append(Text(style="plot-axis", x=frame.left - 7, y=top + _BAR / 2 + 4,
                               text=label, anchor="end"))
        shapes.extend(_row(frame, row, top))
    return Drawing(title=bars.title, description=bars.description, key=bars.key,
                   width=bars.width, height=frame.bottom + 38,
                   shapes=[*time_axis(frame, ZoneInfo(bars.zone)), *shapes])


def _row(frame: Frame, row: Sequence[Bar], top: float) -> Iterator[Shape]:
    middle = top + _BAR / 2
    yield box("plot-track", frame.left, top, frame.right, top + _BAR)
    for kind, style in _STYLES.items():
        found = _joined([b for b in row if b.kind is kind], frame)
        if not found:
            continue
        # An alarm is taller, a muted bar lower than a run: the kind shows without colour.
        reach = {BarKind.RUN: 0.0, BarKind.ALARM: 3.0, BarKind.MUTED: -3.5}[kind]
        yield Area(style=style, runs=[
            ((a, top - reach), (b, top - reach), (b, top + _BAR + reach), (a, top + _BAR + reach))
            for a, b in found
        ])
    for bar in row:
        if bar.word and frame.x(bar.end) - frame.x(bar.start) > width_of(bar.word) + 6:
            yield Text(style="plot-word", x=(frame.x(bar.start) + frame.x(bar.end)) / 2,
                       y=middle + 4, text=bar.word, anchor="middle")


def _joined(row: Sequence[Bar], frame: Frame) -> list[tuple[float, float]]:
    """Return bars as ranges of x; bars too near to be seen apart are joined."""
    near = (frame.right - frame.left) / _MOST
    found: list[tuple[float, float]] = []
    for bar in sorted(row, key=lambda b: b.start):
        if bar.end < frame.start or bar.start > frame.end:
            continue
        left, right = frame.x(bar.start), max(frame.x(bar.end), frame.x(bar.start) + 0.8)
        if found and left - found[-1][1] < near:
            found[-1] = found[-1][0], max(found[-1][1], right)
        else:
            found.append((left, right))
    return found
