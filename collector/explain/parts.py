"""What pages do not say themselves: drawn from the catalogue, the plant's words and the tables."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from collector.alarms.lifecycle import TABLE as LIFECYCLE
from collector.domain.conditions import CATALOGUE, CAUTIONS, Condition, Setting
from collector.domain.readings import QUANTITIES
from collector.explain.marks import (
    Block,
    Fence,
    Heading,
    Items,
    Paragraph,
    Span,
    Spans,
    Table,
    parse_spans,
)
from collector.rules.engine.inhibition import DECLARED_FILL, Explanation
from collector.rules.engine.inhibition import TABLE as EXPLANATIONS

__all__ = ["PARTS", "cautions_of", "causes_of", "checks_of", "kind_line", "settings_of"]

_WATCHED = {
    "generator": "each generator", "riser": "each riser", "vent": "each vent",
    "room": "each room", "device": "each device", "contact": "the contacts of each thing",
    "collector": "the collector itself",
}
_EXAMPLE_OF = {
    "generator": "gen1", "riser": "r1", "vent": "r1-vent", "room": "plant-room",
    "device": "gen1-controller", "contact": "gen1",
}
_DOUBTED = "whatever needs the readings in doubt"
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
    """Say class and priority, and of what it is watched."""
    kinds = (condition.applies_to, *condition.also)
    return Paragraph(_text(
        f"A {condition.signal.value} signal of {condition.priority.value} priority, watched for "
        f"{' or '.join(_WATCHED[kind] for kind in kinds)}."
    ))


def checks_of(condition: Condition) -> tuple[Block, ...]:
    """Return what to check first, in order."""
    if not condition.causes:
        return ()
    return (
        Heading(2, _text("What to check first")),
        Items(tuple(_text(cause) for cause in condition.causes), ordered=True),
    )


def cautions_of(condition: Condition) -> tuple[Block, ...]:
    """Return the condition's cautions, the standing one last."""
    names = [*(n for n in condition.cautions if n != "not-a-fire-alarm"), "not-a-fire-alarm"]
    return (
        Heading(2, _text("Caution")),
        Items(tuple(_text(CAUTIONS[name]) for name in names)),
    )


def causes_of(condition: Condition) -> tuple[Block, ...]:
    """Return which alarms explain it and which it explains, from the rules' own table."""
    said: list[Spans] = []
    for told, mine in (
        ("Not raised while one of these stands: ", _by(condition.id, holds=True)),
        ("Raised all the same, with one of these named as the probable cause: ",
         _by(condition.id, holds=False)),
        ("While it stands, these are not raised: ", _of(condition.id, holds=True)),
        ("While it stands, it is named as the probable cause of: ",
         _of(condition.id, holds=False)),
    ):
        if mine:
            said.append((Span(told), *_listed(mine), Span(".")))
    if not said:
        return ()
    return (Heading(2, _text("One cause, one alarm")), Items(tuple(said)))


def _by(condition: str, *, holds: bool) -> list[str]:
    return list(dict.fromkeys(
        row.by for row in EXPLANATIONS if condition in row.of and row.holds is holds))


def _of(condition: str, *, holds: bool) -> list[str]:
    return _explained([r for r in EXPLANATIONS if r.by == condition and r.holds is holds])


def _explained(rows: Sequence[Explanation]) -> list[str]:
    # A row that names nothing is about whatever needs the readings in doubt.
    return list(dict.fromkeys(of for row in rows for of in row.of or (_DOUBTED,)))


def _listed(ids: Sequence[str]) -> Spans:
    spans: list[Span] = []
    for one in ids:
        spans += [Span(", ")] if spans else []
        spans.append(Span(one, "link", one) if one in CATALOGUE
                     else Span("a fill that somebody declared" if one == DECLARED_FILL else one))
    return tuple(spans)


def settings_of(condition: Condition) -> tuple[Block, ...]:
    """Return the table of settings with default and source, and how they are written."""
    head = Heading(2, _text("Settings"))
    if not condition.built:
        return (head, Paragraph(_text("This version does not watch it yet.")))
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
        lines += ["", f"[conditions.{condition.id}.{thing}]   # for one alone",
                  "enabled = false"]
    return "\n".join(lines)


# -- parts that pages ask for by name ------------------------------------------------------------


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
         _text(", then ".join(t.value for t in step.told) or "nothing"))
        for (state, given), step in LIFECYCLE.items()
    )
    head = tuple(map(_text, ("an alarm that is", "when this happens", "becomes", "told as")))
    return (Table(head, rows),)


def _explanations() -> tuple[Block, ...]:
    rows = []
    for by in dict.fromkeys(row.by for row in EXPLANATIONS):
        mine = [row for row in EXPLANATIONS if row.by == by]
        rows.append((_listed([by]), *(
            _listed(_explained([row for row in mine if row.holds is holds]))
            for holds in (True, False)
        )))
    head = tuple(map(_text, ("while this stands", "these are not raised",
                             "these are, and name it")))
    return (Table(head, tuple(rows)),)


def _conditions() -> tuple[Block, ...]:
    rows = tuple(
        ((Span(c.id, "link", c.id),), _text(c.title), _text(c.signal.value),
         _text(c.priority.value))
        for c in CATALOGUE.values()
    )
    return (Table(tuple(map(_text, ("condition", "title", "signal", "priority"))), rows),)


PARTS: Mapping[str, Callable[[], tuple[Block, ...]]] = {
    "cautions": _cautions, "points": _points, "modes": _modes, "alarm-steps": _alarm_steps,
    "conditions": _conditions, "explanations": _explanations,
}
"""Name of a part to what draws it."""
