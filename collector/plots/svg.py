"""Writes a drawing as SVG text for a page with a strict content security policy.

The SVG has presentation attributes alone: no style sheet, no script, no address.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from collector.plots.shapes import Area, Drawing, Line, Point, Shape, Style, Text, style_of

__all__ = ["svg_of"]


def svg_of(drawing: Drawing) -> str:
    """Write the drawing; it scales to the width of what holds it."""
    key = escape(drawing.key, quote=True)
    names = f"{key}-title" + (f" {key}-desc" if drawing.description else "")
    head = f'<title id="{key}-title">{escape(drawing.title)}</title>'
    if drawing.description:
        head += f'<desc id="{key}-desc">{escape(drawing.description)}</desc>'
    body = "".join(_shape(shape) for shape in drawing.shapes)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="plot" role="img" '
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
