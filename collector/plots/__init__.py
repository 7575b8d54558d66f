"""Plots drawn on the server, as SVG for pages and as shapes for PDF. Pure; no library needed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from statistics import median
from zoneinfo import ZoneInfo

from collector.domain.readings import TrendStep
from collector.plots import span_rows
from collector.plots.axes import (
    MARGIN,
    Axis,
    Band,
    Bar,
    BarKind,
    Bars,
    Curve,
    Frame,
    Level,
    Plot,
    Span,
    SpanKind,
    axis_of,
    step_for,
    tick_words,
    time_axis,
    value_axis,
    value_ticks,
    width_of,
)
from collector.plots.shapes import Area, Drawing, Line, Point, Shape, Text, box, svg_of

__all__ = [
    "Axis", "Band", "Bar", "BarKind", "Bars", "Curve", "Drawing", "Level", "Plot", "Span",
    "SpanKind", "axis_of", "bridge", "draw", "draw_plot", "draw_strips", "drawing_of",
    "few_points", "few_steps", "step_for", "stretches", "usual",
]

_POINTS, _LEAST, _LOOKS = 900, 150, 4
"""Most points of all series together, least of each, and the number of line styles."""


def draw_plot(plot: Plot) -> Drawing:
    """Lay out a plot; data outside its time range is left out."""
    plot = replace(plot, series=[_within(series, plot) for series in plot.series])
    ticks = _ticks(plot)
    left = 14 + max(width_of(words) for words in tick_words(ticks))
    left = max(left, 10 + width_of(plot.axis.unit, bold=True))
    legend, rows = _legend(plot, left)
    sketch = Frame(left=left, top=0, right=plot.width - MARGIN, bottom=1, start=plot.start,
                   end=plot.end)
    found = span_rows.placed(plot.spans, sketch)
    head = 18 * rows + 6
    top = max(head + span_rows.row_count(found) * span_rows.ROW + 8, 26)
    bottom = top + plot.height - 60
    frame = Frame(left=left, top=top, right=sketch.right, bottom=bottom, start=plot.start,
                  end=plot.end, low=ticks[0], high=ticks[-1])
    shapes = [
        *span_rows.washes(found, frame), *value_axis(frame, ticks, plot.axis),
        *time_axis(frame, ZoneInfo(plot.zone)), *_gaps(plot, frame), *_series(plot, frame),
        *_levels(plot, frame), *span_rows.span_shapes(found, frame, head), *legend,
    ]
    return Drawing(title=plot.title, description=plot.description, key=plot.key,
                   width=plot.width, height=bottom + 38, shapes=shapes,
                   frame=(frame.left, frame.right, frame.top, frame.bottom))


def _within(series: Band | Curve, plot: Plot) -> Band | Curve:
    if isinstance(series, Band):
        return replace(series, steps=[
            s for s in series.steps if s.start < plot.end and s.end > plot.start
        ])
    return replace(series, points=[p for p in series.points if plot.start <= p[0] <= plot.end])


def _ticks(plot: Plot) -> tuple[float, ...]:
    values: list[float] = [level.value for level in plot.levels]
    values += [v for v in (plot.floor, plot.ceiling) if v is not None]
    for series in plot.series:
        if isinstance(series, Band):
            values += [v for s in series.steps for v in (s.low, s.high) if v is not None]
        else:
            values += [v for _, v in series.points if v is not None]
    shown = [plot.axis.shown(v) for v in values] or [0.0, 1.0]
    return value_ticks(min(shown), max(shown), max(plot.height // 48, 2))


def _looks(plot: Plot) -> Iterator[tuple[Band | Curve, str]]:
    """Return the line style of each series; expected ones share a style."""
    number = 0
    for series in plot.series:
        if isinstance(series, Curve) and series.expected:
            yield series, "plot-expected"
        else:
            yield series, f"plot-line s{number % _LOOKS}"
            number += 1


def _legend(plot: Plot, left: float) -> tuple[list[Shape], int]:
    """Draw the legend above the plot, where there is more than one series."""
    if len(plot.series) < 2:
        return [], 0
    shapes: list[Shape] = []
    x, row = left, 0
    for series, look in _looks(plot):
        wide = 30 + width_of(series.label) + 14
        if x + wide > plot.width and x > left:
            x, row = left, row + 1
        y = 13 + 18 * row
        shapes.append(Line(style=look, runs=(((x, y - 4), (x + 24, y - 4)),)))
        shapes.append(Text(style="plot-word", x=x + 30, y=y, text=series.label))
        x += wide
    return shapes, row + 1


def _series(plot: Plot, frame: Frame) -> Iterator[Shape]:
    budget = max(_POINTS // max(len(plot.series), 1), _LEAST)
    bands: list[Shape] = []
    strokes: list[Shape] = []
    for series, look in _looks(plot):
        if isinstance(series, Band):
            runs = stretches(few_steps(series.steps, budget // 2))
            bands.append(_band(runs, frame, plot.axis, look.replace("line", "band")))
            strokes.append(Line(style=look, runs=[_means(run, frame, plot.axis) for run in runs]))
        else:
            strokes.append(Line(style=look, runs=[
                [(frame.x(t), frame.y(plot.axis.shown(v))) for t, v in run]
                for run in few_points(series.points, budget)
            ]))
    # Lines are drawn after all bands, or a later band would cover an earlier line.
    yield from bands
    yield from strokes


def _ends(run: Sequence[TrendStep]) -> list[int]:
    """Return the instants of a run's steps: their middles, and the edges of its first and last."""
    return [run[0].start, *((s.start + s.end) // 2 for s in run), run[-1].end]


def _along(run: Sequence[TrendStep], values: Sequence[float | None], frame: Frame,
           axis: Axis) -> list[Point]:
    held = [v for v in (values[0], *values, values[-1]) if v is not None]
    return [(frame.x(t), frame.y(axis.shown(v)))
            for t, v in zip(_ends(run), held, strict=True)]


def _means(run: Sequence[TrendStep], frame: Frame, axis: Axis) -> list[Point]:
    return _along(run, [s.mean for s in run], frame, axis)


def _band(runs: Sequence[Sequence[TrendStep]], frame: Frame, axis: Axis, look: str) -> Area:
    return Area(style=look, runs=[
        [*_along(run, [s.high for s in run], frame, axis),
         *reversed(_along(run, [s.low for s in run], frame, axis))] for run in runs
    ])


def _gaps(plot: Plot, frame: Frame) -> Iterator[Shape]:
    """Mark where no band has readings: a grey stretch, with words where they fit."""
    bands = [series for series in plot.series if isinstance(series, Band)]
    if not bands:
        return
    covered = sorted(
        (run[0].start, run[-1].end) for band in bands for run in stretches(band.steps)
    )
    reached = plot.start
    usual = max(bridge(band.steps) for band in bands)
    known = plot.end if plot.known is None else plot.known
    for start, end in [*covered, (known, known)]:
        if start - reached > usual and frame.x(start) - frame.x(reached) > 1:
            yield from _gap(frame, frame.x(reached), frame.x(start))
        reached = max(reached, end)


def _gap(frame: Frame, left: float, right: float) -> Iterator[Shape]:
    yield box("plot-gap", left, frame.top, right, frame.bottom, "no readings")
    if right - left > width_of("no readings", 11) + 8:
        yield Text(style="plot-gap-word", x=(left + right) / 2, y=frame.bottom - 8,
                   text="no readings", anchor="middle")


def _levels(plot: Plot, frame: Frame) -> Iterator[Shape]:
    right: list[float] = []
    for level in plot.levels:
        y = frame.y(plot.axis.shown(level.value))
        yield Line(style="plot-limit", runs=(((frame.left, y), (frame.right, y)),))
        words = f"{level.label}, {plot.axis.words(level.value)}"
        # Two names at one height would be written over each other: the second goes left.
        clash = any(abs(y - other) < 15 for other in right)
        right.append(y)
        above = y - 5 if y - frame.top > 16 else y + 14
        yield Text(style="plot-limit-word", x=frame.left + 6 if clash else frame.right - 4,
                   y=above, text=words, anchor="start" if clash else "end")


_BRIDGE = 2.5
"""Usual distances between full steps above which empty steps are a gap."""


def few_steps(steps: Sequence[TrendStep], most: int) -> list[TrendStep]:
    """Join neighbouring steps until there are at most ``most``; lows and highs are kept."""
    size = -(-len(steps) // max(most, 1))
    if size <= 1:
        return list(steps)
    return [_joined(steps[i:i + size]) for i in range(0, len(steps), size)]


def _joined(steps: Sequence[TrendStep]) -> TrendStep:
    count, total, low, high = 0, 0.0, float("inf"), float("-inf")
    for step in steps:
        if step.low is None or step.mean is None or step.high is None:
            continue
        count += step.count
        total += step.mean * step.count
        low = step.low if step.low < low else low
        high = step.high if step.high > high else high
    start, end = steps[0].start, steps[-1].end
    if not count:
        return TrendStep(start=start, end=end, count=0, low=None, mean=None, high=None)
    return TrendStep(start=start, end=end, count=count, low=low, mean=total / count, high=high)


def stretches(steps: Sequence[TrendStep]) -> list[list[TrendStep]]:
    """Return the runs of steps with readings that belong together.

    A point polled less often than a step is long leaves steps empty without a gap; the usual
    distance between its full steps decides.
    """
    full = [s for s in steps if s.count]
    if not full:
        return []
    bridged = bridge(steps)
    runs = [[full[0]]]
    for before, step in zip(full, full[1:], strict=False):
        if step.start - before.start > bridged:
            runs.append([])
        runs[-1].append(step)
    return runs


def usual(steps: Sequence[TrendStep]) -> float:
    """Return the usual distance (ms) from one full step to the next; 0 where there are not two."""
    starts = [s.start for s in steps if s.count]
    apart = [b - a for a, b in zip(starts, starts[1:], strict=False)]
    return median(apart) if apart else 0.0


def bridge(steps: Sequence[TrendStep]) -> float:
    """Return the distance (ms) of full steps up to which they belong together."""
    return _BRIDGE * usual(steps)


def few_points(
    points: Sequence[tuple[int, float | None]], most: int,
) -> Iterator[list[tuple[int, float]]]:
    """Return runs of points between gaps, at most about ``most`` in all.

    Of each bucket the first, least, greatest and last stay, so that no peak is lost.
    """
    share = max(len(points), 1)
    run: list[tuple[int, float]] = []
    for time, value in [*points, (0, None)]:
        if value is not None:
            run.append((time, value))
        elif run:
            yield _thin(run, max(most * len(run) // share, 8))
            run = []


def _thin(run: list[tuple[int, float]], most: int) -> list[tuple[int, float]]:
    if len(run) <= most:
        return run
    size = -(-len(run) // max(most // 4, 1))
    kept: list[tuple[int, float]] = []
    for i in range(0, len(run), size):
        bucket = run[i:i + size]
        chosen = {bucket[0], min(bucket, key=lambda p: p[1]), max(bucket, key=lambda p: p[1]),
                  bucket[-1]}
        kept.extend(sorted(chosen))
    return kept


_ROW, _BAR, _MOST = 22, 13, 700
_NAME, _EDGE = 17, 24
"""Height of a name above its strip, and what the words of the first tick take at the left."""
_BESIDE = 0.25
"""Share of the width that names beside the strips may take."""
_STYLES = {BarKind.RUN: "plot-run", BarKind.ALARM: "plot-run-alarm",
           BarKind.MUTED: "plot-run-muted", BarKind.UNKNOWN: "plot-run-unknown"}


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
        found = _joined_bars([b for b in row if b.kind is kind], frame)
        if not found:
            continue
        # An alarm is taller, a muted bar lower than a run: the kind shows without colour.
        reach = {BarKind.RUN: 0.0, BarKind.ALARM: 3.0, BarKind.MUTED: -3.5,
                 BarKind.UNKNOWN: 0.0}[kind]
        yield Area(style=style, runs=[
            ((a, top - reach), (b, top - reach), (b, top + _BAR + reach), (a, top + _BAR + reach))
            for a, b in found
        ])
    for bar in row:
        if bar.word and frame.x(bar.end) - frame.x(bar.start) > width_of(bar.word) + 6:
            yield Text(style="plot-word", x=(frame.x(bar.start) + frame.x(bar.end)) / 2,
                       y=middle + 4, text=bar.word, anchor="middle")


def _joined_bars(row: Sequence[Bar], frame: Frame) -> list[tuple[float, float]]:
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


def drawing_of(figure: Plot | Bars) -> Drawing:
    """Return the shapes of a figure, which the PDF draws."""
    return draw_plot(figure) if isinstance(figure, Plot) else draw_strips(figure)


def draw(figure: Plot | Bars) -> str:
    """Return a figure as SVG text for a page."""
    return svg_of(drawing_of(figure))
