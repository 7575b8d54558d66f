"""A report as PDF."""

from __future__ import annotations

from collector.pdf import PdfDocument
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

__all__ = ["pdf_of"]

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
