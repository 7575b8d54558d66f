"""A report as one HTML file without external parts."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from html import escape
from importlib import resources
from zoneinfo import ZoneInfo

from collector.plots import draw
from collector.reports.blocks import (
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

__all__ = ["html_of"]

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
