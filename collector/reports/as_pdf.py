"""A report on paper."""

from __future__ import annotations

from collector.paper import Paper
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


def pdf_of(report: Report) -> bytes:
    """Return the PDF; the same report gives the same bytes."""
    paper = Paper(site=report.site, period=report.period, title=report.title, made=report.made,
                  zone=report.zone, version=report.version)
    for block in report.blocks:
        _put(paper, block)
    return paper.bytes()


def _put(paper: Paper, block: Block) -> None:
    match block:
        case Heading():
            paper.heading(block.text, block.level)
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
