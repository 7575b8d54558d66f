"""Reads the few marks the pages are written in (a small part of CommonMark) into plain blocks.

Headings, paragraphs, lists, fenced text, tables, and inside them ``code``, **weight** and links to
other pages. ``<!-- name -->`` on a line of its own stands for a part that the program fills in.
Anything else is ordinary text: what a page says can never become markup of the board.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = [
    "Block", "Fence", "Filled", "Heading", "Items", "Paragraph", "Span", "Spans", "Table",
    "parse", "parse_spans", "plain",
]


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of text: ``kind`` is ``text``, ``code``, ``strong`` or ``link``."""

    text: str
    kind: str = "text"
    target: str = ""
    """Of a link: the id of a page."""


Spans = tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading; ``level`` 1 is the title of the page."""

    level: int
    spans: Spans


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A paragraph."""

    spans: Spans


@dataclass(frozen=True, slots=True)
class Items:
    """A list; ``ordered`` where the order matters."""

    items: tuple[Spans, ...]
    ordered: bool = False


@dataclass(frozen=True, slots=True)
class Fence:
    """Text to be shown as it stands: an equation or a piece of a file. ``kind`` may be empty."""

    text: str
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """A table."""

    head: tuple[Spans, ...]
    rows: tuple[tuple[Spans, ...], ...]


@dataclass(frozen=True, slots=True)
class Filled:
    """The place of a part that the program fills in."""

    name: str


Block = Heading | Paragraph | Items | Fence | Table | Filled

_SPAN = re.compile(
    r"`(?P<code>[^`]+)`|\*\*(?P<strong>[^*]+)\*\*|\[(?P<text>[^\]]+)\]\((?P<page>[a-z0-9-]+)\.md\)"
)
_FILLED = re.compile(r"<!-- ([a-z-]+) -->")
_HEADING = re.compile(r"(#{1,3}) (.+)")
_ITEM = re.compile(r"(?:-|(\d+)\.) (.+)")
_CELLS = re.compile(r"(?<!\\)\|")


def parse_spans(text: str) -> Spans:
    """Read one run of text.

    >>> [s.kind for s in parse_spans("see `limit` of [leak-high](leak-high.md)")]
    ['text', 'code', 'text', 'link']
    """
    found: list[Span] = []
    end = 0
    for match in _SPAN.finditer(text):
        if match.start() > end:
            found.append(Span(text[end:match.start()]))
        if match["code"]:
            found.append(Span(match["code"], "code"))
        elif match["strong"]:
            found.append(Span(match["strong"], "strong"))
        else:
            found.append(Span(match["text"], "link", match["page"]))
        end = match.end()
    if end < len(text):
        found.append(Span(text[end:]))
    return tuple(found)


def plain(spans: Spans) -> str:
    """Return the words alone."""
    return "".join(s.text for s in spans)


def parse(text: str) -> tuple[Block, ...]:
    """Read a page."""
    lines = text.splitlines()
    blocks: list[Block] = []
    at = 0
    while at < len(lines):
        if not lines[at].strip():
            at += 1
            continue
        block, at = _block(lines, at)
        blocks.append(block)
    return tuple(blocks)


def _block(lines: Sequence[str], at: int) -> tuple[Block, int]:
    line = lines[at]
    if line.startswith("```"):
        end = at + 1
        while end < len(lines) and not lines[end].startswith("```"):
            end += 1
        return Fence("\n".join(lines[at + 1:end]), line[3:].strip()), end + 1
    if filled := _FILLED.fullmatch(line.strip()):
        return Filled(filled[1]), at + 1
    if heading := _HEADING.fullmatch(line):
        return Heading(len(heading[1]), parse_spans(heading[2])), at + 1
    end = at + 1  # a line that only looks like a heading is text
    while end < len(lines) and lines[end].strip() and not lines[end].startswith(("```", "#")):
        end += 1
    run = lines[at:end]
    if line.startswith("|"):
        return _table(run), end
    if _ITEM.match(line):
        return _items(run), end
    return Paragraph(parse_spans(" ".join(part.strip() for part in run))), end


def _items(run: Sequence[str]) -> Items:
    items: list[str] = []
    ordered = False
    for line in run:
        if match := _ITEM.match(line):
            ordered = ordered or match[1] is not None
            items.append(match[2])
        else:  # a line that goes on
            items[-1] += " " + line.strip()
    return Items(tuple(parse_spans(item) for item in items), ordered)


def _table(run: Sequence[str]) -> Table:
    def cells(line: str) -> tuple[Spans, ...]:
        parts = _CELLS.split(line.strip().removeprefix("|").removesuffix("|"))
        return tuple(parse_spans(part.strip().replace("\\|", "|")) for part in parts)
    # The second line only draws the rule below the head.
    return Table(cells(run[0]), tuple(cells(line) for line in run[2:]))
