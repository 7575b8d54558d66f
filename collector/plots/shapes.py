"""The shapes of a drawing: lines, areas, boxes and words, each of a named style.

Pages and PDF draw the same shapes. The styles hold for PDF and for pages without a style sheet; a
style sheet may override them by class.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape

Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """Colours as six hex digits with their sign, empty for none; lengths in the drawing's units."""

    stroke: str = ""
    width: float = 1.0
    dash: tuple[float, ...] = ()
    fill: str = ""
    opacity: float = 1.0
    size: float = 0.0
    """Of words."""
    bold: bool = False


_INK, _SOFT, _RULE = "#1b2530", "#4f5963", "#d5d9d4"
_BAD, _UNSURE = "#96190f", "#6d4a00"
_SERIES = (("#1d4f73", ()), ("#8a4b14", (7.0, 2.5)), ("#356428", (2.0, 2.0)),
           ("#6b3f78", (9.0, 2.5, 2.0, 2.5)))

STYLES: Mapping[str, Style] = {
    "plot-frame": Style(stroke=_INK, width=1.2),
    "plot-grid": Style(stroke=_RULE, width=0.8),
    "plot-axis": Style(fill=_SOFT, size=12),
    "plot-unit": Style(fill=_INK, size=12, bold=True),
    "plot-word": Style(fill=_INK, size=12),
    "plot-expected": Style(stroke=_SOFT, width=1.6, dash=(1.5, 3.5)),
    "plot-limit": Style(stroke=_BAD, width=1.2, dash=(10.0, 3.0)),
    "plot-limit-word": Style(fill=_BAD, size=12),
    "plot-alarm": Style(fill=_BAD),
    "plot-alarm-wash": Style(fill=_BAD, opacity=0.09),
    "plot-alarm-word": Style(fill=_BAD, size=12, bold=True),
    "plot-suppressed": Style(stroke=_UNSURE, width=1.4, fill="#f7edcf"),
    "plot-suppressed-wash": Style(fill=_UNSURE, opacity=0.06),
    "plot-suppressed-word": Style(fill=_UNSURE, size=12),
    "plot-silent": Style(stroke=_SOFT, width=1.4, dash=(3.0, 2.0)),
    "plot-silent-wash": Style(fill=_SOFT, opacity=0.08),
    "plot-silent-word": Style(fill=_SOFT, size=12),
    "plot-gap": Style(fill=_SOFT, opacity=0.14),
    "plot-gap-word": Style(fill=_SOFT, size=11),
    "plot-track": Style(fill="#eceeea"),
    "plot-run": Style(fill="#1d4f73"),
    "plot-run-alarm": Style(fill=_BAD),
    "plot-run-muted": Style(fill="#b9bfb9"),
    "plot-run-unknown": Style(fill="#ffffff", stroke=_SOFT, width=1.0, dash=(2.0, 2.5)),
    **{f"plot-line s{n}": Style(stroke=colour, width=1.8, dash=dash)
       for n, (colour, dash) in enumerate(_SERIES)},
    **{f"plot-band s{n}": Style(fill=colour, opacity=0.2)
       for n, (colour, _) in enumerate(_SERIES)},
}


def style_of(name: str) -> Style:
    """Return the style of that name. Raises ``KeyError`` for an unknown one."""
    return STYLES[name]


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """Strokes through points; each run of points is one stroke."""

    style: str
    runs: Sequence[Sequence[Point]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    """Closed shapes. ``note`` is their tooltip, also for screen readers."""

    style: str
    runs: Sequence[Sequence[Point]]
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """Words at a point of the base line; ``anchor`` is start, middle or end."""

    style: str
    x: float
    y: float
    text: str
    anchor: str = "start"


Shape = Line | Area | Text


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """Shapes from back to front in a frame of ``width`` by ``height``, y downwards."""

    title: str
    description: str
    key: str
    width: float
    height: float
    shapes: Sequence[Shape]
    frame: tuple[float, float, float, float] | None = None
    """Left, right, top and bottom of the area of values; scripts of a page read it."""


def box(style: str, left: float, top: float, right: float, bottom: float, note: str = "") -> Area:
    """Return a rectangle."""
    return Area(style=style, note=note, runs=(
        ((left, top), (right, top), (right, bottom), (left, bottom)),))


def svg_of(drawing: Drawing) -> str:
    """Write the drawing; it scales to the width of what holds it."""
    key = escape(drawing.key, quote=True)
    names = f"{key}-title" + (f" {key}-desc" if drawing.description else "")
    head = f'<title id="{key}-title">{escape(drawing.title)}</title>'
    if drawing.description:
        head += f'<desc id="{key}-desc">{escape(drawing.description)}</desc>'
    body = "".join(_shape(shape) for shape in drawing.shapes)
    frame = "" if drawing.frame is None else \
        f' data-frame="{" ".join(_n(edge) for edge in drawing.frame)}"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="plot" role="img"{frame} '
        f'aria-labelledby="{names}" viewBox="0 0 {_n(drawing.width)} {_n(drawing.height)}" '
        f'width="100%" font-family="system-ui, sans-serif">{head}{body}</svg>'
    )


def _n(number: float) -> str:
    text = f"{number:.1f}"
    return text[:-2] if text.endswith(".0") else text


def _path(runs: Sequence[Sequence[Point]], *, closed: bool) -> str:
    end = "z" if closed else " "
    # After M, further pairs are lines: a letter less for each point.
    text = "".join("M" + " ".join([f"{x:.1f},{y:.1f}" for x, y in run]) + end for run in runs)
    for before in (",", " ", "z"):
        text = text.replace(f".0{before}", before)
    return text.rstrip()


def _stroke(style: Style) -> str:
    if not style.stroke:
        return ""
    dash = f' stroke-dasharray="{" ".join(_n(d) for d in style.dash)}"' if style.dash else ""
    return f' stroke="{style.stroke}" stroke-width="{_n(style.width)}"{dash}'


def _fill(style: Style) -> str:
    faint = f' fill-opacity="{style.opacity:g}"' if style.opacity < 1 else ""
    return f' fill="{style.fill or "none"}"{faint}'


def _shape(shape: Shape) -> str:
    style = style_of(shape.style)
    match shape:
        case Line():
            return (f'<path class="{shape.style}" d="{_path(shape.runs, closed=False)}" '
                    f'fill="none"{_stroke(style)} stroke-linejoin="round"/>')
        case Area():
            head = (f'<path class="{shape.style}" d="{_path(shape.runs, closed=True)}"'
                    f'{_fill(style)}{_stroke(style)}')
            return f"{head}><title>{escape(shape.note)}</title></path>" if shape.note \
                else f"{head}/>"
        case Text():
            return _text(shape, style)


def _text(shape: Text, style: Style) -> str:
    anchor = f' text-anchor="{shape.anchor}"' if shape.anchor != "start" else ""
    weight = ' font-weight="600"' if style.bold else ""
    return (f'<text class="{shape.style}" x="{_n(shape.x)}" y="{_n(shape.y)}"'
            f'{_fill(style)} font-size="{_n(style.size)}"{weight}{anchor}>'
            f'{escape(shape.text)}</text>')
