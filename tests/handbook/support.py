"""Reads pages the way a reader does: sections, tables, code."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from importlib import resources
from pathlib import Path

from collector.handbook.markdown import (
    Block,
    Heading,
    Items,
    Paragraph,
    Span,
    Table,
    parse,
    plain,
)

PAGES = Path(str(resources.files("collector"))) / "handbook" / "pages"
ROOT = PAGES.parent.parent.parent


def source(name: str) -> tuple[Block, ...]:
    """The page as it is written, before anything is filled in."""
    return parse((PAGES / f"{name}.md").read_text(encoding="utf-8"))


def sections(blocks: Sequence[Block]) -> dict[str, list[Block]]:
    """Blocks by the heading above them."""
    found: dict[str, list[Block]] = {}
    for block in blocks:
        if isinstance(block, Heading):
            found[plain(block.spans)] = []
        elif found:
            found[next(reversed(found))].append(block)
    return found


def spans(blocks: Sequence[Block]) -> Iterator[Span]:
    for block in blocks:
        match block:
            case Heading() | Paragraph():
                yield from block.spans
            case Items():
                for item in block.items:
                    yield from item
            case Table():
                for row in (block.head, *block.rows):
                    for cell in row:
                        yield from cell


def links(blocks: Sequence[Block]) -> set[str]:
    return {s.target for s in spans(blocks) if s.kind == "link"}


def codes(blocks: Sequence[Block]) -> set[str]:
    return {s.text for s in spans(blocks) if s.kind == "code"}


def rows(blocks: Sequence[Block]) -> list[dict[str, str]]:
    """Every row of the tables among ``blocks``, by the heads of its columns."""
    return [
        {plain(h): plain(c) for h, c in zip(table.head, row, strict=True)}
        for table in blocks if isinstance(table, Table) for row in table.rows
    ]


def names(cell: str) -> list[str]:
    """``--from, --to`` as two names."""
    return [n.strip() for n in cell.split(",")]


def readme_pages() -> set[str]:
    """Ids of the pages that the README links to."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    return set(re.findall(r"\(collector/handbook/pages/([a-z-]+)\.md\)", text))
