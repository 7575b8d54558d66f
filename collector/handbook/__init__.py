"""The handbook: one page for each condition, each quantity and each subject.

The pages are Markdown files in ``collector/handbook/pages``. What the catalogue knows (causes in
checking order, cautions, settings with default and source) is not written in them: it is generated
when a page is shown, so that page and program cannot contradict each other.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

from collector.alarms import TABLE as LIFECYCLE
from collector.domain.conditions import CATALOGUE, CAUTIONS, Condition, Setting
from collector.domain.conditions.schema import DECLARED_FILL
from collector.domain.errors import QuietpipeError
from collector.domain.evaluations import COMPUTED, Quantity
from collector.domain.readings import QUANTITIES
from collector.handbook.markdown import (
    Block,
    Fence,
    Generated,
    Heading,
    Items,
    Paragraph,
    Span,
    Spans,
    Table,
    parse,
    parse_spans,
    plain,
    to_html,
    to_text,
)

_MONITORED = {
    "generator": "each generator", "riser": "each riser", "vent": "each vent",
    "room": "each room", "device": "each device", "contact": "the contacts of each thing",
    "collector": "the collector itself",
}
_EXAMPLE_OF = {
    "generator": "gen1", "riser": "r1", "vent": "r1-vent", "room": "plant-room",
    "device": "gen1-controller", "contact": "gen1",
}
_DOUBTED = "every condition that needs the readings in doubt"
_STATES = {
    "off": "the compressor is not asked to run",
    "nitrogen": "the separator is in the path",
    "air-fill": "compressed air goes straight to the pipe",
}


def _text(words: str) -> Spans:
    return (Span(words),)


def _code(words: str) -> Spans:
    return (Span(words, "code"),)


def kind_line(condition: Condition) -> Paragraph:
    """Return the line with a condition's class, priority and kind of asset."""
    kinds = (condition.applies_to, *condition.also)
    return Paragraph(_text(
        f"A {condition.signal.value} signal of {condition.priority.value} priority, monitored for "
        f"{' or '.join(_MONITORED[kind] for kind in kinds)}."
    ))


def checks_of(condition: Condition) -> tuple[Block, ...]:
    """Return the list of causes, in checking order."""
    if not condition.causes:
        return ()
    return (
        Heading(2, _text("What to check first")),
        Items(tuple(_text(cause) for cause in condition.causes), ordered=True),
    )


def cautions_of(condition: Condition) -> tuple[Block, ...]:
    """Return the condition's cautions, with the one that every page has last."""
    names = [*(n for n in condition.cautions if n != "not-a-fire-alarm"), "not-a-fire-alarm"]
    return (
        Heading(2, _text("Caution")),
        Items(tuple(_text(CAUTIONS[name]) for name in names)),
    )


def suppression_of(condition: Condition) -> tuple[Block, ...]:
    """Return which alarms suppress a condition and which it suppresses, as declared."""
    lines: list[Spans] = []
    for words, mine in (
        ("Suppressed while one of these is active: ", _by(condition, inhibits=True)),
        ("Raised with one of these named as the probable cause, if active: ",
         _by(condition, inhibits=False)),
        ("Alarms suppressed by it: ", _of(condition.id, inhibits=True)),
        ("Named as the probable cause of: ",
         _of(condition.id, inhibits=False)),
    ):
        if mine:
            lines.append((Span(words), *_listed(mine), Span(".")))
    if not lines:
        return ()
    return (Heading(2, _text("Alarm suppression by root cause")), Items(tuple(lines)))


def _by(condition: Condition, *, inhibits: bool) -> list[str]:
    """Return the ids of what suppresses a condition, or is named as its cause."""
    return [c.by for c in condition.explained_by if c.inhibits is inhibits]


def _of(by: str, *, inhibits: bool) -> list[str]:
    """Return the ids of what a condition suppresses, or of what names it as the cause."""
    doubts = by in CATALOGUE and CATALOGUE[by].doubts is inhibits
    return [*(c.id for c in CATALOGUE.values() for cause in c.explained_by
              if cause.by == by and cause.inhibits is inhibits), *([_DOUBTED] if doubts else [])]


def _listed(ids: Sequence[str]) -> Spans:
    spans: list[Span] = []
    for one in ids:
        spans += [Span(", ")] if spans else []
        spans.append(Span(one, "link", one) if one in CATALOGUE
                     else Span("a declared fill" if one == DECLARED_FILL else one))
    return tuple(spans)


def settings_of(condition: Condition) -> tuple[Block, ...]:
    """Return the table of settings with default and source, after an example of their use."""
    head = Heading(2, _text("Settings"))
    if not condition.built:
        return (head, Paragraph(_text("This version does not monitor it yet.")))
    settings = condition.all_settings()
    table = Table(
        tuple(map(_text, ("setting", "meaning", "default", "source of the default"))),
        tuple((_code(s.name), _text(s.doc), _default(s), _text(s.source)) for s in settings),
    )
    return (head, Paragraph(parse_spans("In the [site file](site-file.md):")),
            Fence(_example(condition), "toml"), table)


def _default(setting: Setting) -> Spans:
    if setting.default is None:
        return _text("see the source")
    return _code(_toml(setting.default))


def _toml(value: str | float | bool) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"


def _example(condition: Condition) -> str:
    # One that has a default: a limit made up for an example would be copied into real sites.
    setting = next(s for s in condition.all_settings() if s.default is not None)
    assert setting.default is not None
    lines = [f"[conditions.{condition.id}]", f"{setting.name} = {_toml(setting.default)}"]
    thing = _EXAMPLE_OF.get(condition.applies_to)
    if thing is not None:
        lines += ["", f"[conditions.{condition.id}.{thing}]   # for this asset alone",
                  "enabled = false"]
    return "\n".join(lines)


# -- parts named in pages ------------------------------------------------------------


def _cautions() -> tuple[Block, ...]:
    return (Items(tuple(_text(words) for words in CAUTIONS.values())),)


def _points() -> tuple[Block, ...]:
    rows = []
    for kind, group in QUANTITIES.items():
        for name, quantity in group.items():
            unit = {"contact": "0 or 1", "mode": "a word", "count": "a number"}.get(
                quantity.unit, quantity.unit)
            rows.append((_code(name), _text(kind), _text(quantity.label), _text(unit)))
    head = tuple(map(_text, ("quantity", "of a", "what it is", "unit when none is said")))
    return (Table(head, tuple(rows)),)


def _modes() -> tuple[Block, ...]:
    return (Items(tuple((Span(word, "code"), Span(f": {said}"))
                        for word, said in _STATES.items())),)


def _alarm_steps() -> tuple[Block, ...]:
    rows = tuple(
        (_text(state.value), _text(given.value), _text(step.to.value),
         _text(", then ".join(t.value for t in step.transitions) or "none"))
        for (state, given), step in LIFECYCLE.items()
    )
    head = tuple(map(_text, ("from state", "input", "to state", "transition published")))
    return (Table(head, rows),)


def _explanations() -> tuple[Block, ...]:
    rows = []
    for by in (*CATALOGUE, DECLARED_FILL):
        mine = [_of(by, inhibits=inhibits) for inhibits in (True, False)]
        if any(mine):
            rows.append((_listed([by]), *map(_listed, mine)))
    head = tuple(map(_text, ("active alarm", "alarms suppressed by it",
                             "alarms that name it as the probable cause")))
    return (Table(head, tuple(rows)),)


def _conditions() -> tuple[Block, ...]:
    rows = tuple(
        ((Span(c.id, "link", c.id),), _text(c.title), _text(c.signal.value),
         _text(c.priority.value))
        for c in CATALOGUE.values()
    )
    return (Table(tuple(map(_text, ("condition", "title", "signal", "priority"))), rows),)


def _pages(listed: Iterable[Condition | Quantity]) -> tuple[Block, ...]:
    rows = tuple(((Span(one.id, "link", one.id),), _text(one.title)) for one in listed)
    return (Table(tuple(map(_text, ("page", "title"))), rows),)


PARTS: Mapping[str, Callable[[], tuple[Block, ...]]] = {
    "cautions": _cautions, "points": _points, "modes": _modes, "alarm-steps": _alarm_steps,
    "conditions": _conditions, "explanations": _explanations,
    "condition-pages": lambda: _pages(CATALOGUE.values()),
    "quantity-pages": lambda: _pages(COMPUTED.values()),
}
"""Name of a part to the function that generates it."""


QUANTITY_IDS = tuple(COMPUTED)

SUBJECT_IDS = (
    "commands", "commissioning", "first-site", "site-file", "device-profile",
    "recorded-readings", "events", "alarm-states", "calls", "acceptance", "reports", "fleet",
    "deployment", "network", "threats", "faults", "cautions",
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


def find_picture(name: str) -> bytes | None:
    """Return a picture (PNG) of the pages, or ``None`` where there is none of that name."""
    if not re.fullmatch(r"[a-z0-9-]+\.png", name):
        return None
    source = resources.files("collector").joinpath("handbook", "pages", name)
    return source.read_bytes() if source.is_file() else None


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
