"""Parses the pages' Markdown into blocks, with markdown-it-py (CommonMark and tables).

Raw HTML, images and links to anything but a page of the handbook are left as the text they are, so
that a page can never become markup of the board. ``<!-- name -->`` in a paragraph of its own is the
place of a part that the program generates.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from markdown_it import MarkdownIt
from markdown_it.token import Token

__all__ = [
    "Block", "Fence", "Generated", "Heading", "Items", "Paragraph", "Span", "Spans", "Table",
    "parse", "parse_spans", "plain",
]


@dataclass(frozen=True, slots=True)
class Span:
    """A run of text: ``kind`` is ``text``, ``code``, ``strong`` or ``link``."""

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
    """Preformatted text: an equation or a piece of a file. ``kind`` may be empty."""

    text: str
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """A table."""

    head: tuple[Spans, ...]
    rows: tuple[tuple[Spans, ...], ...]


@dataclass(frozen=True, slots=True)
class Generated:
    """The place of a part that the program generates."""

    name: str


Block = Heading | Paragraph | Items | Fence | Table | Generated

_PAGE = re.compile(r"([a-z0-9-]+)\.md")
_GENERATED = re.compile(r"<!-- ([a-z-]+) -->")


class _Reader(MarkdownIt):
    """CommonMark with tables, without what no page uses."""

    def __init__(self) -> None:
        super().__init__("commonmark", {"html": False})
        self.enable("table")
        self.disable(["image", "autolink", "blockquote", "hr", "lheading", "code", "reference"])

    def validateLink(self, url: str) -> bool:  # noqa: N802 - the library's name
        """Accept links to pages of the handbook alone; others stay text."""
        return _PAGE.fullmatch(url) is not None


_READER = _Reader()


def parse_spans(text: str) -> Spans:
    """Parse one line of text.

    >>> [s.kind for s in parse_spans("see `limit` of [leak-high](leak-high.md)")]
    ['text', 'code', 'text', 'link']
    """
    return tuple(span for token in _READER.parseInline(text) for span in _spans(token))


def plain(spans: Spans) -> str:
    """Return the text without its markup."""
    return "".join(s.text for s in spans)


def parse(text: str) -> tuple[Block, ...]:
    """Parse a page."""
    return tuple(_blocks(_READER.parse(text)))


def _blocks(tokens: Sequence[Token]) -> Iterator[Block]:
    at = 0
    while at < len(tokens):
        token = tokens[at]
        end = at
        if token.nesting == 1:
            end = next(n for n in range(at, len(tokens))
                       if tokens[n].nesting == -1 and tokens[n].level == token.level)
        inside = tokens[at + 1:end]
        match token.type:
            case "heading_open":
                yield Heading(int(token.tag[1:]), tuple(_spans(inside[0])))
            case "paragraph_open":
                yield _paragraph(inside[0])
            case "bullet_list_open" | "ordered_list_open":
                yield Items(tuple(_items(inside)), token.type == "ordered_list_open")
            case "fence":
                yield Fence(token.content.removesuffix("\n"), token.info.strip())
            case "table_open":
                head, *rows = _rows(inside)
                yield Table(head, tuple(rows))
            case other:
                raise AssertionError(f"no page has a {other}")
        at = end + 1


def _paragraph(inline: Token) -> Paragraph | Generated:
    named = _GENERATED.fullmatch(inline.content.strip())
    return Generated(named[1]) if named else Paragraph(tuple(_spans(inline)))


def _items(tokens: Sequence[Token]) -> Iterator[Spans]:
    """Yield the text of each item; blocks within one are joined to one line."""
    item: list[Span] = []
    for token in tokens:
        if token.type in ("inline", "fence"):
            item += [Span(" ")] if item else []
            item += _spans(token) if token.type == "inline" else [Span(token.content, "code")]
        elif token.type == "list_item_close" and token.level == tokens[0].level:
            yield tuple(item)
            item = []


def _rows(tokens: Sequence[Token]) -> Iterator[tuple[Spans, ...]]:
    row: list[Spans] = []
    for token in tokens:
        if token.type == "inline":
            row.append(tuple(_spans(token)))
        elif token.type == "tr_close":
            yield tuple(row)
            row = []


def _spans(inline: Token) -> Iterator[Span]:
    """Yield the runs of an inline token; markup within strong text or a link is dropped."""
    text, kind, target = "", "text", ""
    for child in inline.children or ():
        match child.type:
            case "text":
                text += child.content
            case "softbreak" | "hardbreak":
                text += " "
            case "code_inline" if kind == "text":
                yield from _run(text)
                text = ""
                yield Span(child.content, "code")
            case "code_inline":
                text += child.content
            case "strong_open" | "link_open" if kind == "text":
                yield from _run(text)
                text, kind = "", child.type.removesuffix("_open")
                target = str(child.attrGet("href") or "").removesuffix(".md")
            case "strong_close" | "link_close" if kind == child.type.removesuffix("_close"):
                yield from _run(text, kind, target)
                text, kind, target = "", "text", ""
            case _:
                pass  # emphasis, or strong text within a link: the words alone are kept
    yield from _run(text)


def _run(text: str, kind: str = "text", target: str = "") -> Iterator[Span]:
    if text:
        yield Span(text, kind, target)
