"""The first page of a report as plain text, for the message that carries the report."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from collector.reports.blocks import Box, Bullets, Heading, Paragraph, Report

__all__ = ["text_of"]

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
