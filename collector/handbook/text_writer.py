"""Writes blocks as plain text wrapped to a width, without escape codes."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from itertools import zip_longest

from collector.handbook.markdown import (
    Block,
    Fence,
    Generated,
    Heading,
    Items,
    Paragraph,
    Span,
    Table,
    plain,
)

__all__ = ["to_text"]

_GAP = 2
_LEAST = 10
"""Least width of a column of words; a narrower one is hard to read."""
_NAME = re.compile(r"[a-z][a-z0-9_]*")


def to_text(blocks: Sequence[Block], width: int = 80) -> str:
    """Write blocks as plain text of at most ``width`` characters a line, where words allow it."""
    parts = [_block(block, max(width, 30)) for block in blocks]
    return "\n\n".join(part for part in parts if part) + "\n"


def _block(block: Block, width: int) -> str:
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
    return "\n".join(_row(row, widths) for row in (head, rule, *rows))


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


def _row(row: Sequence[str], widths: Sequence[int]) -> str:
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
