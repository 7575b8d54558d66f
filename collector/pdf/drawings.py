"""Draws the shapes of :mod:`collector.plots` with the PDF library."""

from __future__ import annotations

import atexit
import logging
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from collector.plots.shapes import Area, Drawing, Line, Shape, Style, Text, style_of

if TYPE_CHECKING:
    from fpdf import FPDF

_log = logging.getLogger(__name__)

FAMILY = "paper"
STYLES = {"": "figo", "B": "figbo"}
"""Style of the PDF library to the name in the package."""

_FOLDERS = (Path("/usr/share/fonts"), Path("/usr/local/share/fonts"))
_ENDS = (".ttf", ".otf", ".ttc")


@cache
def font_files() -> dict[str, Path]:
    """Write the package's fonts for the PDF library; they are removed at the end of the process."""
    import pymupdf_fonts

    folder = Path(tempfile.mkdtemp(prefix="quietpipe-fonts-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    files: dict[str, Path] = {}
    for style, name in STYLES.items():
        files[style] = folder / f"paper{style}.ttf"
        files[style].write_bytes(pymupdf_fonts.myfont(name))
    return files


@cache
def _letters(file: Path) -> frozenset[int]:
    from fontTools.ttLib import TTFont, TTLibError

    try:
        with TTFont(file, lazy=True, fontNumber=0) as font:
            return frozenset(font.getBestCmap() or ())
    except (TTLibError, OSError, KeyError, AssertionError) as error:
        # A broken font of the machine is skipped; another may have the letters.
        _log.info("font skipped", extra={"file": str(file), "why": str(error)})
        return frozenset()


def covered_by(file: Path, text: str) -> bool:
    """Return whether a font has every letter of ``text``."""
    return set(map(ord, text)) <= _letters(file)


def _machine_fonts(folders: Iterable[Path]) -> Iterator[Path]:
    for folder in folders:
        yield from sorted(f for f in folder.rglob("*") if f.suffix.lower() in _ENDS)


@cache
def machine_font(text: str, folders: tuple[Path, ...] = _FOLDERS) -> Path | None:
    """Return the first font of the machine, by path, with every letter of ``text``, or ``None``."""
    return next((f for f in _machine_fonts(folders) if covered_by(f, text)), None)


_PT_PER_MM = 72 / 25.4
_TEXT = 0.92
"""Size of words relative to a screen: paper is read from nearer."""


def put_drawing(
    pdf: FPDF, drawing: Drawing, left: float, top: float, width: float,
    spell: Callable[[str], str],
) -> None:
    """Draw at ``left``, ``top`` (mm), ``width`` wide; ``spell`` replaces letters without a font."""
    scale = width / drawing.width
    for shape in drawing.shapes:
        if isinstance(shape, Text):
            shape = replace(shape, text=spell(shape.text))
        _put(pdf, shape, left, top, scale)
    pdf.set_dash_pattern()
    pdf.set_draw_color(0)
    pdf.set_fill_color(255)
    pdf.set_text_color(0)


def _put(pdf: FPDF, shape: Shape, left: float, top: float, scale: float) -> None:
    style = style_of(shape.style)
    match shape:
        case Text():
            _words(pdf, shape, style, left, top, scale)
        case Line() | Area():
            _pen(pdf, style, scale)
            how = _how(style, closed=isinstance(shape, Area))
            with pdf.local_context(fill_opacity=style.opacity):
                for run in shape.runs:
                    points = [(left + x * scale, top + y * scale) for x, y in run]
                    if isinstance(shape, Area):
                        pdf.polygon(points, style=how)
                    elif len(points) > 1:
                        pdf.polyline(points)


def _how(style: Style, *, closed: bool) -> str:
    return ("D" if style.stroke else "") + ("F" if closed and style.fill else "")


def _pen(pdf: FPDF, style: Style, scale: float) -> None:
    if style.stroke:
        pdf.set_draw_color(style.stroke)
        pdf.set_line_width(style.width * scale)
        dash = [d * scale for d in style.dash]
        if len(dash) == 4:
            # The library has one dash and one gap; a dash-dot becomes a long and wide dash.
            dash = [dash[0] * 0.5, dash[1] * 1.6]
        pdf.set_dash_pattern(*(dash[:2] or (0, 0)))
    if style.fill:
        pdf.set_fill_color(style.fill)


def _words(
    pdf: FPDF, text: Text, style: Style, left: float, top: float, scale: float,
) -> None:
    pdf.set_font(FAMILY, "B" if style.bold else "", style.size * scale * _PT_PER_MM * _TEXT)
    pdf.set_text_color(style.fill)
    width = pdf.get_string_width(text.text)
    shift = {"start": 0.0, "middle": width / 2, "end": width}[text.anchor]
    pdf.text(left + text.x * scale - shift, top + text.y * scale, text.text)
