"""Writes blocks as HTML for the board, every word escaped."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from urllib.parse import quote

from collector.handbook.markdown import (
    Block,
    Fence,
    Generated,
    Heading,
    Items,
    Paragraph,
    Spans,
    Table,
    plain,
)

__all__ = ["to_html"]


def to_html(blocks: Sequence[Block], root: str = "/explain/") -> str:
    """Write blocks as HTML; a link to a page leads to its id below ``root``."""
    return "\n".join(_block(block, root) for block in blocks)


def _block(block: Block, root: str) -> str:
    match block:
        case Heading(level=level):
            return f"<h{level}>{_spans(block.spans, root)}</h{level}>"
        case Paragraph():
            return f"<p>{_spans(block.spans, root)}</p>"
        case Items(items=items, ordered=ordered):
            kind = "ol" if ordered else "ul"
            listed = "".join(f"<li>{_spans(item, root)}</li>" for item in items)
            return f"<{kind}>{listed}</{kind}>"
        case Fence(kind="mermaid"):
            return ""  # a drawing; the table beside it says the same in words
        case Fence():
            return f"<pre>{escape(block.text)}</pre>"
        case Table():
            head = "".join(f'<th scope="col">{_spans(c, root)}</th>' for c in block.head)
            rows = "".join(_row(row, block, root) for row in block.rows)
            return f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"
        case Generated():
            raise ValueError(f"{block.name} was not generated")


def _row(row: Sequence[Spans], table: Table, root: str) -> str:
    first, *others = row
    # A narrow screen shows a row as lines, each with the head of its column.
    cells = "".join(
        f'<td data-head="{escape(plain(head))}">{_spans(cell, root)}</td>'
        for head, cell in zip(table.head[1:], others, strict=True)
    )
    return f'<tr><th scope="row">{_spans(first, root)}</th>{cells}</tr>'


def _spans(spans: Spans, root: str) -> str:
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
