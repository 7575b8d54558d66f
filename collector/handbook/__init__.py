"""The handbook: one page for each condition, each quantity and each subject.

The pages are Markdown files in ``collector/handbook/pages``. What the catalogue knows (causes in
checking order, cautions, settings with default and source) is not written in them: it is generated
when a page is shown, so that page and program cannot contradict each other.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

from collector.domain.conditions import CATALOGUE
from collector.domain.errors import QuietpipeError
from collector.domain.quantities import COMPUTED
from collector.handbook.generated import (
    PARTS,
    cautions_of,
    checks_of,
    kind_line,
    settings_of,
    suppression_of,
)
from collector.handbook.html_writer import to_html
from collector.handbook.markdown import Block, Generated, Heading, parse, plain
from collector.handbook.text_writer import to_text

__all__ = [
    "CONTENTS", "QUANTITY_IDS", "SUBJECT_IDS", "Page", "UnknownPage", "find_html", "find_page",
    "page_ids",
]

QUANTITY_IDS = tuple(COMPUTED)

SUBJECT_IDS = (
    "commands", "commissioning", "site-file", "device-profile", "recorded-readings", "events",
    "alarm-states", "calls", "acceptance", "reports", "fleet",
    "deployment", "network", "cautions",
)
"""Every page that is about neither a condition nor a quantity."""


CONTENTS = "contents"
"""The page that lists the others."""


class UnknownPage(QuietpipeError):
    """No page has the id asked for. ``near`` are the ids that may have been meant."""

    def __init__(self, name: str, near: Sequence[str]) -> None:
        self.near = tuple(near)
        hint = f"; did you mean {' or '.join(near)}?" if near else ""
        super().__init__(f'there is no page "{name}"{hint}')


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """One page with its generated parts."""

    id: str
    title: str
    blocks: tuple[Block, ...]

    def text(self, width: int = 80) -> str:
        """Return the page as plain text."""
        return to_text(self.blocks, width)

    def html(self) -> str:
        """Return the page as HTML without its title, every word escaped."""
        return to_html(self.blocks[1:])


def page_ids() -> tuple[str, ...]:
    """Return the id of every page: conditions in the catalogue's order, quantities, subjects."""
    return (*CATALOGUE, *QUANTITY_IDS, *SUBJECT_IDS)


@cache
def find_page(name: str) -> Page:
    """Return the page of an id; raise :class:`UnknownPage` with near misses otherwise."""
    if name not in (*page_ids(), CONTENTS):
        raise UnknownPage(name, _near(name))
    source = resources.files("collector").joinpath("handbook", "pages", f"{name}.md")
    blocks = parse(source.read_text(encoding="utf-8"))
    title = blocks[0]
    assert isinstance(title, Heading), name  # a test holds every page to it
    return Page(id=name, title=plain(title.spans), blocks=_with_generated(name, blocks))


def find_html(name: str) -> tuple[str, str] | None:
    """Return title and HTML of a page, or ``None`` where no page has that id."""
    try:
        page = find_page(name)
    except UnknownPage:
        return None
    return page.title, page.html()


def _with_generated(name: str, blocks: Sequence[Block]) -> tuple[Block, ...]:
    whole = [part for block in blocks
             for part in (PARTS[block.name]() if isinstance(block, Generated) else (block,))]
    condition = CATALOGUE.get(name)
    if condition is None:
        return tuple(whole)
    # The technician's order: what it is, what to check, what can hurt; then the reasoning.
    sections = [n for n, block in enumerate(whole) if n and isinstance(block, Heading)]
    first = sections[0] if sections else len(whole)
    see = next((n for n in sections if plain(whole[n].spans) == "See also"),  # type: ignore[union-attr]
               len(whole))
    return (
        whole[0], kind_line(condition), *whole[1:first], *checks_of(condition),
        *cautions_of(condition), *whole[first:see], *suppression_of(condition),
        *settings_of(condition), *whole[see:],
    )


def _near(name: str) -> list[str]:
    word = name.strip().lower().replace("_", "-").replace(" ", "-")
    if word in page_ids():
        return [word]
    holding = [i for i in page_ids() if len(word) > 2 and word in i]
    close = difflib.get_close_matches(word, page_ids(), n=3, cutoff=0.6)
    return list(dict.fromkeys([*holding, *close]))[:4]
