"""Writing of a report into files."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from datetime import datetime
from html import escape
from importlib import resources
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.domain.errors import QuietpipeError
from collector.pdf import PdfDocument
from collector.plots import draw
from collector.reports.report_data import (
    Block,
    Box,
    Bullets,
    Figure,
    Heading,
    Pairs,
    Paragraph,
    Report,
    Table,
)
from collector.reports.times import local

FORMATS = ("html", "pdf", "txt")


class ReportError(QuietpipeError):
    """A report could not be written to its folder."""


def file_name(site: str, start: int, end: int, zone: ZoneInfo) -> str:
    """Return the name without its ending: the site and the days, ``fenmoor-2026-03-01-2026-03-31``.

    The last day is the one that the period's last moment belongs to.
    """
    first, last = local(start, zone), local(end - 1, zone)
    return f"{site}-{first:%Y-%m-%d}-{last:%Y-%m-%d}"


def rendered(report: Report, form: str) -> bytes:
    """Return the report as ``html`` or ``pdf``, or its first page as ``txt``."""
    if form == "html":
        return html_of(report).encode()
    if form == "txt":
        return text_of(report).encode()
    return pdf_of(report)


def write(report: Report, site: str, folder: Path, formats: Sequence[str]) -> list[Path]:
    """Write the report in each format; return the files. Raises :class:`ReportError`."""
    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        name = file_name(site, report.start, report.end, ZoneInfo(report.zone))
        for form in formats:
            path = folder / f"{name}.{form}"
            part = path.with_name(f".{path.name}.part")
            part.write_bytes(rendered(report, form))
            part.replace(path)
            written.append(path)
    except OSError as exc:
        raise ReportError(f"the report cannot be written to {folder}: {exc.strerror}") from exc
    return written


_POLICY = "default-src 'none'; style-src 'unsafe-inline'"


def html_of(report: Report) -> str:
    """Write the page. Every word is escaped; there is no script and no address in it."""
    when = datetime.fromtimestamp(report.made // 1000, ZoneInfo(report.zone))
    style = resources.files("collector.reports").joinpath("report.css").read_text(encoding="utf-8")
    title = escape(f"{report.title}: {report.site}, {report.period}")
    head = (
        f'<p class="kind">{escape(report.title)}</p><h1>{escape(report.site)}</h1>'
        f'<p class="period">{escape(report.period)}</p>'
        f'<p class="made">Made {when.day} {when:%B %Y, %H:%M %Z} by quietpipe '
        f'{escape(report.version)}</p>'
    )
    body = "".join(part for block in report.blocks for part in _write(block))
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{title}</title><style>{style}</style></head>\n"
        f"<body><header>{head}</header><main>{body}</main></body></html>\n"
    )


def _write(block: Block) -> Iterator[str]:
    match block:
        case Heading():
            # The page's own h1 is the site: a report's first level is the second of the page.
            yield f"<h{block.level + 1}>{escape(block.text)}</h{block.level + 1}>"
        case Paragraph():
            kind = ' class="soft"' if block.soft else ' class="strong"' if block.strong else ""
            yield f"<p{kind}>{escape(block.text)}</p>"
        case Bullets():
            tag = "ol" if block.numbered else "ul"
            yield f"<{tag}>{''.join(f'<li>{escape(i)}</li>' for i in block.items)}</{tag}>"
        case Table():
            yield from _table(block)
        case Pairs():
            rows = "".join(f"<dt>{escape(n)}</dt><dd>{escape(v)}</dd>" for n, v in block.pairs)
            yield f"<dl>{rows}</dl>"
        case Figure():
            caption = escape(block.figure.title)
            yield f"<figure><figcaption>{caption}</figcaption>{draw(block.figure)}</figure>"
        case Box():
            lines = "".join(f"<p>{escape(line)}</p>" for line in block.lines)
            yield f'<section class="box"><h2>{escape(block.title)}</h2>{lines}</section>'


def _table(table: Table) -> Iterator[str]:
    align = (table.align + "L" * len(table.header))[: len(table.header)]
    kinds = [' class="r"' if a == "R" else "" for a in align]
    yield '<div class="wide" tabindex="0" role="group" aria-label="table"><table><thead><tr>'
    for text, kind in zip(table.header, kinds, strict=True):
        yield f'<th scope="col"{kind}>{escape(text)}</th>'
    yield "</tr></thead><tbody>"
    for row in table.rows:
        cells = "".join(f"<td{kind}>{escape(cell)}</td>"
                        for cell, kind in zip(row, kinds, strict=True))
        yield f"<tr>{cells}</tr>"
    yield "</tbody></table></div>"


_WIDTH = 78
_SECTIONS = 2
"""Number of sections on the first page."""


def text_of(report: Report) -> str:
    """Return the report's first sections and the cautions."""
    return "\n".join([f"{report.site}: {report.period}", *_lines(report), ""])


def _lines(report: Report) -> Iterator[str]:
    sections = 0
    for block in report.blocks:
        sections += isinstance(block, Heading) and block.level == 1
        if isinstance(block, Box):
            yield from ("", block.title.upper())
            for line in block.lines:
                yield from textwrap.wrap(line, _WIDTH)
        if sections > _SECTIONS:
            continue
        match block:
            case Heading(level=1):
                yield from ("", block.text.upper())
            case Paragraph():
                yield from textwrap.wrap(block.text, _WIDTH)
            case Bullets():
                for number, item in enumerate(block.items, 1):
                    lead = f"{number}. " if block.numbered else "- "
                    yield from textwrap.wrap(item, _WIDTH, initial_indent=lead,
                                             subsequent_indent=" " * len(lead))


_FIGURE, _LINES = 75.0, 26.0
"""mm that what follows a heading needs at least, so that it is not left alone."""


def pdf_of(report: Report) -> bytes:
    """Return the PDF; the same report gives the same bytes."""
    paper = PdfDocument(
        site=report.site, period=report.period, title=report.title, made=report.made,
        zone=report.zone, version=report.version)
    for block, following in zip(report.blocks, [*report.blocks[1:], None], strict=True):
        _put(paper, block, following)
    return paper.bytes()


def _put(paper: PdfDocument, block: Block, following: Block | None) -> None:
    match block:
        case Heading():
            keep = _FIGURE if isinstance(following, Figure) else _LINES
            paper.heading(block.text, block.level, keep=keep)
        case Paragraph():
            paper.paragraph(block.text, soft=block.soft, strong=block.strong)
        case Bullets():
            paper.bullets(block.items, numbered=block.numbered)
        case Table():
            paper.table(block.header, block.rows, widths=block.widths, align=block.align)
        case Pairs():
            paper.pairs(block.pairs)
        case Figure():
            paper.plot(block.figure)
        case Box():
            paper.box(block.title, block.lines)
