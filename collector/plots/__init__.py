"""Plots drawn on the server, as SVG for pages and as shapes for PDF. Pure; no library needed."""

from __future__ import annotations

from collector.plots.axes import Axis, axis_of, step_for
from collector.plots.plot_data import Band, Bar, BarKind, Bars, Curve, Level, Plot, Span, SpanKind
from collector.plots.series import draw_plot
from collector.plots.shapes import Drawing
from collector.plots.strips import draw_strips
from collector.plots.svg import svg_of

__all__ = [
    "Axis", "Band", "Bar", "BarKind", "Bars", "Curve", "Drawing", "Level", "Plot", "Span",
    "SpanKind", "axis_of", "draw", "drawing_of", "step_for",
]


def drawing_of(figure: Plot | Bars) -> Drawing:
    """Return the shapes of a figure, which the PDF draws."""
    return draw_plot(figure) if isinstance(figure, Plot) else draw_strips(figure)


def draw(figure: Plot | Bars) -> str:
    """Return a figure as SVG text for a page."""
    return svg_of(drawing_of(figure))
