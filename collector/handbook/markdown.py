"""Parses the pages' Markdown into blocks, with markdown-it-py (CommonMark and tables).

Raw HTML, and links and images of anything but the handbook's own, are left as the text they are,
so that a page can never become markup of the board. ``<!-- name -->`` in a paragraph of its own is
the place of a part that the program generates.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from itertools import zip_longest
from urllib.parse import quote

from markdown_it import MarkdownIt
from markdown_it.token import Token


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
class Picture:
    """A picture in a paragraph of its own: ``alt`` says what is to be seen on it."""

    alt: str
    name: str
    """The file among the pages."""


@dataclass(frozen=True, slots=True)
class Generated:
    """The place of a part that the program generates."""

    name: str


Block = Heading | Paragraph | Items | Fence | Table | Picture | Generated

_OURS = re.compile(r"[a-z0-9-]+\.(md|png)")
_GENERATED = re.compile(r"<!-- ([a-z-]+) -->")


class _Reader(MarkdownIt):
    """CommonMark with tables, without what no page uses."""

    def __init__(self) -> None:
        super().__init__("commonmark", {"html": False})
        self.enable("table")
        self.disable(["autolink", "blockquote", "hr", "lheading", "code", "reference"])

    def validateLink(self, url: str) -> bool:  # noqa: N802 - the library's name
        """Accept pages and pictures of the handbook alone; others stay text."""
        return _OURS.fullmatch(url) is not None


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


def _paragraph(inline: Token) -> Paragraph | Picture | Generated:
    named = _GENERATED.fullmatch(inline.content.strip())
    match inline.children:
        case [Token(type="image") as image] if str(image.attrGet("src")).endswith(".png"):
            return Picture(image.content, str(image.attrGet("src")))
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
            case "image":
                text += f"![{child.content}]({child.attrGet('src')})"
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


def to_html(blocks: Sequence[Block], root: str = "/explain/") -> str:
    """Write blocks as HTML; a link to a page leads to its id below ``root``."""
    return "\n".join(_html_block(block, root) for block in blocks)


def _html_block(block: Block, root: str) -> str:
    match block:
        case Heading(level=level):
            return f"<h{level}>{_html_spans(block.spans, root)}</h{level}>"
        case Paragraph():
            return f"<p>{_html_spans(block.spans, root)}</p>"
        case Items(items=items, ordered=ordered):
            kind = "ol" if ordered else "ul"
            listed = "".join(f"<li>{_html_spans(item, root)}</li>" for item in items)
            return f"<{kind}>{listed}</{kind}>"
        case Fence(kind="mermaid"):
            return ""  # a drawing; the table beside it says the same in words
        case Fence():
            return f"<pre>{escape(block.text)}</pre>"
        case Table():
            head = "".join(f'<th scope="col">{_html_spans(c, root)}</th>' for c in block.head)
            rows = "".join(_html_row(row, block, root) for row in block.rows)
            return f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"
        case Picture():
            return (f'<p><img src="{escape(root + block.name)}" alt="{escape(block.alt)}" '
                    'loading="lazy" /></p>')
        case Generated():
            raise ValueError(f"{block.name} was not generated")


def _html_row(row: Sequence[Spans], table: Table, root: str) -> str:
    first, *others = row
    # A narrow screen shows a row as lines, each with the head of its column.
    cells = "".join(
        f'<td data-head="{escape(plain(head))}">{_html_spans(cell, root)}</td>'
        for head, cell in zip(table.head[1:], others, strict=True)
    )
    return f'<tr><th scope="row">{_html_spans(first, root)}</th>{cells}</tr>'


def _html_spans(spans: Spans, root: str) -> str:
    parts = []
    for span in spans:
        text = escape(span.text)
        match span.kind:
            case "code":
                text = f"<code>{text}</code>"
            case "strong":
                text = f"<strong>{text}</strong>"
            case "link":
                text = f'<a href="{escape(root + quote(span.target, safe=""))}">{text}</a>'
        parts.append(text)
    return "".join(parts)


_GAP = 2
_LEAST = 10
"""Least width of a column of words; a narrower one is hard to read."""
_NAME = re.compile(r"[a-z][a-z0-9_]*")


def to_text(blocks: Sequence[Block], width: int = 80) -> str:
    """Write blocks as plain text of at most ``width`` characters a line, where words allow it."""
    parts = [_text_block(block, max(width, 30)) for block in blocks]
    return "\n\n".join(part for part in parts if part) + "\n"


def _text_block(block: Block, width: int) -> str:
    match block:
        case Heading(level=level):
            title = plain(block.spans)
            return f"{title}\n{('=' if level == 1 else '-') * len(title)}"
        case Paragraph():
            return _wrapped(_words(block.spans), width)
        case Items(items=items, ordered=ordered):
            heads = [f"{n}." if ordered else "-" for n in range(1, len(items) + 1)]
            room = max(len(head) for head in heads) + 1
            return "\n".join(
                _wrapped(_words(item), width, first="  " + head.ljust(room), rest=room + 2)
                for head, item in zip(heads, items, strict=True)
            )
        case Fence(kind="mermaid"):
            return ""  # a drawing; the table beside it says the same in words
        case Fence():
            return textwrap.indent(block.text, "    ")
        case Table():
            return _table(block, width)
        case Picture():
            return _wrapped(f"[Picture: {block.alt}]", width)
        case Generated():
            raise ValueError(f"{block.name} was not generated")


def _words(spans: Sequence[Span]) -> str:
    """Return running text with the names of settings and keys in quotes."""
    return "".join(
        f'"{s.text}"' if s.kind == "code" and _NAME.fullmatch(s.text) else s.text for s in spans
    )


def _wrapped(text: str, width: int, *, first: str = "", rest: int = 0) -> str:
    return textwrap.fill(text, width, initial_indent=first, subsequent_indent=" " * rest,
                         break_long_words=False, break_on_hyphens=False)


def _table(table: Table, width: int) -> str:
    head = [plain(cell) for cell in table.head]
    rows = [[plain(cell) for cell in row] for row in table.rows]
    widths = _widths([head, *rows], width - _GAP * (len(head) - 1))
    if widths is None:
        return "\n".join(_entry(head, row, width) for row in rows)
    rule = ["-" * w for w in widths]
    return "\n".join(_text_row(row, widths) for row in (head, rule, *rows))


def _widths(rows: Sequence[Sequence[str]], room: int) -> list[int] | None:
    """Return the width of each column, or ``None`` where columns would be too narrow."""
    columns = list(zip(*rows, strict=True))
    wanted = [max(len(cell) for cell in column) for column in columns]
    least = [max(len(word) for cell in column for word in cell.split() or [""])
             for column in columns]
    least = [max(n, min(w, _LEAST)) for n, w in zip(least, wanted, strict=True)]
    left = room - sum(least)
    if left < 0:
        return None
    need = sum(wanted) - sum(least)
    if left >= need:
        return wanted
    return [n + (w - n) * left // need for n, w in zip(least, wanted, strict=True)]


def _text_row(row: Sequence[str], widths: Sequence[int]) -> str:
    cells = [textwrap.wrap(cell, w, break_long_words=False, break_on_hyphens=False) or [""]
             for cell, w in zip(row, widths, strict=True)]
    lines = zip_longest(*cells, fillvalue="")
    return "\n".join(
        (" " * _GAP).join(c.ljust(w) for c, w in zip(line, widths, strict=True)).rstrip()
        for line in lines
    )


def _entry(head: Sequence[str], row: Sequence[str], width: int) -> str:
    """Write a row too wide for columns: its first cell, then the others below it."""
    lines = [_wrapped(row[0], width, first="  ", rest=4)]
    for name, cell in zip(head[1:], row[1:], strict=True):
        if cell:
            lines.append(_wrapped(f"{name}: {cell}", width, first="      ", rest=8))
    return "\n".join(lines)
