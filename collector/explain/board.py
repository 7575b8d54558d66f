"""The handbook as the board is given it."""

from __future__ import annotations

from collector.explain import UnknownPage, find_page
from collector.web import HandbookPage

__all__ = ["board_page"]


def board_page(name: str) -> HandbookPage | None:
    """Return a page for the board, or ``None`` where there is none of that id."""
    try:
        page = find_page(name)
    except UnknownPage:
        return None
    return HandbookPage(title=page.title, html=page.html())
