"""PDF documents, for records and reports. The PDF library is loaded with the first one."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any, cast
from zoneinfo import ZoneInfo

from collector.fonts import FAMILY, covered_by, font_files, machine_font
from collector.plots import Bars, Plot, drawing_of
from collector.plots.shapes import Area, Drawing, Line, Shape, Style, Text, style_of

if TYPE_CHECKING:
    from fpdf import FPDF

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


_INK, _SOFT, _RULE, _MARGIN_RED = "#1b2530", "#4f5963", "#c3c9c4", "#b5493f"
_SIDE, _TOP, _FOOT = 18.0, 16.0, 20.0
_BODY, _LEADING = 9.5, 4.7
"""Point size of words, and mm from line to line."""
_BANNER = 26.0
"""Points of a banner's type."""
_SIZES = {1: 15.0, 2: 12.0, 3: 10.0}
_BOX = "▯"


class PdfDocument:
    """An A4 document being written from top to bottom. Lengths in mm."""

    def __init__(
        self, *, site: str, period: str, title: str, made: int, zone: str, language: str = "en",
        version: str = "",
    ) -> None:
        """Begin with a head that names title, site and period; ``made`` is ms since 1970."""
        when = datetime.fromtimestamp(made // 1000, ZoneInfo(zone))
        self._known: set[str] = set()
        self._boxes: dict[int, str] = {}
        self._further: list[str] = []
        self._pdf = _begin(f"{site} · {period}", self._know)
        self._pdf.set_title(f"{title}: {site}, {period}")
        self._pdf.set_lang(language)
        self._pdf.set_creation_date(when)
        self._pdf.set_producer("quietpipe" + (f" {version}" if version else ""))
        self._pdf.add_page()
        self._head(title, site, period, f"Made {when.day} {when:%B %Y, %H:%M %Z}")

    def __repr__(self) -> str:
        return f"PdfDocument(page {self._pdf.page_no()})"

    @property
    def width(self) -> float:
        return float(self._pdf.epw)

    def heading(self, text: str, level: int = 1, *, keep: float = 26.0) -> None:
        """Write a heading (1 to 3) where ``keep`` mm more have room: it never ends a page."""
        pdf = self._pdf
        size = _SIZES[level]
        if pdf.will_page_break(size * 0.6 + keep):
            pdf.add_page()
        pdf.ln(5 if level == 1 else 3)
        self._font(size, bold=True)
        with pdf.local_context():
            pdf.start_section(self._know(text), level=level - 1)
        self._text(text, size * 0.47)
        if level == 1:
            pdf.set_draw_color(_INK)
            pdf.set_line_width(0.4)
            pdf.line(pdf.l_margin, pdf.y + 0.8, pdf.w - pdf.r_margin, pdf.y + 0.8)
        pdf.ln(2)

    def banner(self, text: str) -> None:
        """Write what must not be missed: the largest type of the page, between two rules."""
        pdf = self._pdf
        pdf.set_draw_color(_INK)
        pdf.set_line_width(0.8)
        pdf.ln(2)
        pdf.line(pdf.l_margin, pdf.y, pdf.w - pdf.r_margin, pdf.y)
        pdf.ln(3)
        self._font(_BANNER, bold=True)
        self._text(text, _BANNER * 0.47)
        pdf.ln(2)
        pdf.line(pdf.l_margin, pdf.y, pdf.w - pdf.r_margin, pdf.y)
        pdf.ln(3)

    def paragraph(self, text: str, *, soft: bool = False, strong: bool = False) -> None:
        self._font(_BODY, bold=strong, colour=_SOFT if soft else _INK)
        self._text(text, _LEADING)
        self._pdf.ln(1.6)

    def bullets(self, items: Sequence[str], *, numbered: bool = False) -> None:
        pdf = self._pdf
        for number, item in enumerate(items, 1):
            self._font(_BODY, bold=numbered)
            if pdf.will_page_break(_LEADING):
                pdf.add_page()
            pdf.cell(7, _LEADING, f"{number}." if numbered else "·", align="R" if numbered else "C")
            pdf.set_x(pdf.l_margin + 9)
            self._font(_BODY)
            self._text(item, _LEADING)
            pdf.ln(0.9)
        pdf.ln(1)

    def table(
        self, header: Sequence[str], rows: Sequence[Sequence[str]], *,
        widths: Sequence[float] | None = None, align: str = "",
    ) -> None:
        """Write a table; the header is repeated on every page, no row is cut in two.

        ``align`` has a letter (L, R, C) for each column, left where it has none.
        """
        pdf = self._pdf
        aligned = tuple((align + "L" * len(header))[: len(header)])
        self._font(_BODY - 0.5)
        pdf.set_draw_color(_RULE)
        pdf.set_line_width(0.2)
        with pdf.table(
            col_widths=tuple(widths) if widths else None, text_align=aligned, line_height=4.3,
            borders_layout="HORIZONTAL_LINES", padding=(0.9, 1.4, 0.9, 0),
            headings_style=_heading_face(),
        ) as table:
            for words in (header, *rows):
                row = table.row()
                for cell in words:
                    row.cell(self._know(cell))
        pdf.ln(2.5)

    def pairs(self, pairs: Sequence[tuple[str, str]], *, share: float = 0.34) -> None:
        pdf = self._pdf
        first = self.width * share
        for name, value in pairs:
            self._font(_BODY)
            lines = self._lines(value or " ", self.width - first)
            if pdf.will_page_break(lines * _LEADING):
                pdf.add_page()
            top = pdf.y
            self._font(_BODY, colour=_SOFT)
            pdf.multi_cell(first - 3, _LEADING, self._know(name), align="L", new_x="LMARGIN")
            reached = pdf.y
            pdf.set_xy(pdf.l_margin + first, top)
            self._font(_BODY)
            self._text(value or " ", _LEADING)
            pdf.set_y(max(reached, pdf.y) + 0.5)
        pdf.ln(1.5)

    def plot(self, figure: Plot | Bars, caption: str = "") -> None:
        """Draw a figure over the width of the text, its caption above it; never cut in two."""
        pdf = self._pdf
        drawing = drawing_of(figure)
        caption = caption or figure.title
        height = drawing.height * self.width / drawing.width
        if pdf.will_page_break(height + 8):
            pdf.add_page()
        self._font(_BODY, bold=True)
        self._text(caption, _LEADING)
        pdf.ln(1)
        top = pdf.y
        put_drawing(pdf, drawing, pdf.l_margin, top, self.width, self._know)
        pdf.set_xy(pdf.l_margin, top + height + 2)

    def box(self, title: str, lines: Sequence[str]) -> None:
        """Write a framed box, such as the cautions; kept whole on a page."""
        pdf = self._pdf
        self._font(_BODY)
        inner = self.width - 10
        count = sum(self._lines(line, inner) for line in lines)
        height = 9 + count * _LEADING + len(lines) * 1.2 + 2
        if pdf.will_page_break(height):
            pdf.add_page()
        top = pdf.y
        pdf.set_draw_color(_MARGIN_RED)
        pdf.set_line_width(0.5)
        pdf.rect(pdf.l_margin, top, self.width, height)
        pdf.set_xy(pdf.l_margin + 5, top + 2.5)
        self._font(_BODY + 0.5, bold=True)
        pdf.cell(inner, _LEADING, self._know(title))
        pdf.set_y(top + 8.5)
        for line in lines:
            pdf.set_x(pdf.l_margin + 5)
            self._font(_BODY)
            pdf.multi_cell(inner, _LEADING, self._know(line), align="L", new_x="LMARGIN",
                           new_y="NEXT")
            pdf.ln(1.2)
        pdf.set_y(top + height + 3)

    def signatures(self, people: Sequence[tuple[str, str, str]]) -> None:
        """Write a line to sign on for each (name, role, when), any of them empty."""
        pdf = self._pdf
        for name, role, when in people:
            if pdf.will_page_break(20):
                pdf.add_page()
            pdf.ln(11)
            third = self.width / 3
            pdf.set_draw_color(_INK)
            pdf.set_line_width(0.25)
            top = pdf.y
            for column, (words, label) in enumerate(
                ((name, "name"), (role, "role"), (when, "signed"))
            ):
                left = pdf.l_margin + column * third
                pdf.line(left, top, left + third - 5, top)
                pdf.set_xy(left, top - _LEADING - 0.5)
                self._font(_BODY)
                pdf.cell(third - 5, _LEADING, self._know(words))
                pdf.set_xy(left, top + 0.5)
                self._font(7.5, colour=_SOFT)
                pdf.cell(third - 5, 3.5, label)
            pdf.set_xy(pdf.l_margin, top + 6)

    def page(self) -> None:
        self._pdf.add_page()

    def bytes(self) -> bytes:
        """Finish; return the PDF."""
        return bytes(self._pdf.output())

    def _head(self, title: str, site: str, period: str, made: str) -> None:
        self._font(11, colour=_SOFT)
        self._text(title, 5.5)
        self._font(20, bold=True)
        self._text(site, 9)
        self._font(11)
        self._text(period, 5.5)
        self._font(_BODY, colour=_SOFT)
        self._text(made, _LEADING)
        pdf = self._pdf
        pdf.set_draw_color(_INK)
        for width, down in ((0.7, 1.5), (0.25, 2.6)):
            pdf.set_line_width(width)
            pdf.line(pdf.l_margin, pdf.y + down, pdf.w - pdf.r_margin, pdf.y + down)
        pdf.ln(5)

    def _font(self, size: float, *, bold: bool = False, colour: str = _INK) -> None:
        self._pdf.set_font(FAMILY, "B" if bold else "", size)
        self._pdf.set_text_color(colour)

    def _text(self, text: str, leading: float) -> None:
        pdf = self._pdf
        pdf.multi_cell(pdf.w - pdf.r_margin - pdf.x, leading, self._know(text), align="L",
                       new_x="LMARGIN", new_y="NEXT")

    def _lines(self, text: str, width: float) -> int:
        """Return how many lines words will take."""
        from fpdf.enums import MethodReturnValue

        lines = self._pdf.multi_cell(width, _LEADING, self._know(text), dry_run=True,
                                     output=MethodReturnValue.LINES)
        return len(cast("list[str]", lines))

    def _know(self, text: str) -> str:
        """Return the text with a box in place of each letter that no font has."""
        for letter in set(text) - self._known:
            self._known.add(letter)
            if covered_by(font_files()[""], letter) or not letter.isprintable():
                continue
            file = machine_font(letter)
            if file is None:
                self._boxes[ord(letter)] = _BOX
            elif (name := f"further {file}".lower()) not in self._further:
                self._pdf.add_font(name, "", file)
                self._further.append(name)
                self._pdf.set_fallback_fonts(self._further, exact_match=False)
        return text.translate(self._boxes)


def _heading_face() -> Any:
    from fpdf.fonts import FontFace

    return FontFace(emphasis="BOLD", color=_INK)


def _begin(foot: str, know: Callable[[str], str]) -> FPDF:
    # The library logs each table of a font it passes over; which is of no use here.
    logging.getLogger("fontTools").setLevel(logging.ERROR)
    from fpdf import FPDF

    class _Pages(FPDF):
        def footer(self) -> None:
            self.set_y(-13)
            self.set_draw_color(_RULE)
            self.set_line_width(0.2)
            self.line(self.l_margin, self.y - 1, self.w - self.r_margin, self.y - 1)
            self.set_font(FAMILY, "", 8)
            self.set_text_color(_SOFT)
            self.cell(self.epw * 0.75, 5, know(foot))
            self.cell(self.epw * 0.25, 5, f"page {self.page_no()} of {{nb}}", align="R")

    pdf = _Pages(format="A4")
    for style, file in font_files().items():
        pdf.add_font(FAMILY, style, file)
    pdf.set_margins(_SIDE, _TOP, _SIDE)
    pdf.set_auto_page_break(True, margin=_FOOT)
    return pdf
