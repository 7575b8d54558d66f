"""What the subject pages say, against the program they speak of."""

from __future__ import annotations

import argparse
import ast
import inspect
import json
import tomllib
from collections.abc import Iterator
from dataclasses import fields
from typing import Any, get_args

import pytest

from collector import cli
from collector.alarms import TABLE, diagram
from collector.alarms.windows import FACTS
from collector.cli import COMMANDS
from collector.config.profiles import LegTable, PointTable, ProfileFile
from collector.config.tables import SiteFile, Table
from collector.domain.conditions import CATALOGUE, CAUTIONS
from collector.domain.events import (
    AlarmTransition,
    EstimateMade,
    Priority,
    Signal,
    SystemEvent,
    Transition,
    event_to_json,
)
from collector.domain.live import AlarmState
from collector.domain.readings import MODES, QUANTITIES, Quality
from collector.handbook import CONTENTS, SUBJECT_IDS, find_page, page_ids
from collector.handbook.markdown import Fence
from collector.recorded.rows import COLUMNS
from tests.handbook.support import (
    ROOT,
    codes,
    names,
    readme_pages,
    rows,
    sections,
    source,
)

ABSENT = object()


def _table_in(annotation: Any) -> type[Table] | None:
    for inner in (annotation, *get_args(annotation)):
        if isinstance(inner, type) and issubclass(inner, Table):
            return inner
        found = _table_in(inner) if get_args(inner) and inner is not annotation else None
        if found is not None:
            return found
    return None


def _site_tables() -> Iterator[tuple[str, type[Table]]]:
    for key, field in SiteFile.model_fields.items():
        table = _table_in(field.annotation)
        if table is not None:
            many = str(field.annotation).startswith("list")
            yield f"[[{key}]]" if many else f"[{key}]", table
            for inner_key, inner in table.model_fields.items():
                below = _table_in(inner.annotation)
                # A route's keys stand beside the recipient's own: they are the same keys.
                if below is not None and not issubclass(table, below):
                    yield inner_key, below


PLACES = [
    *(("site-file", place, table) for place, table in _site_tables()),
    *(("device-profile", f"[[{k}]]" if str(f.annotation).startswith("list") else f"[{k}]",
       _table_in(f.annotation)) for k, f in ProfileFile.model_fields.items()),
    ("device-profile", "legs", LegTable),
]


def _toml(cell: str) -> Any:
    try:
        return tomllib.loads(f"x = {cell}")["x"]
    except tomllib.TOMLDecodeError:
        return ABSENT


@pytest.mark.parametrize(("page", "place", "table"), PLACES, ids=lambda v: str(v))
def test_every_key_of_a_file_is_told_with_its_default(
    page: str, place: str, table: type[Table],
) -> None:
    told = {row["key"]: row for row in rows(sections(source(page))[place])}
    assert list(told) == list(dict.fromkeys(_in_order(table, told)))
    assert set(told) == set(table.model_fields)
    for key, row in told.items():
        assert row["meaning"]
        assert row["kind"]
        example = _toml(row["example"])
        assert example is not ABSENT, f"{key}: the example is no TOML"
        table.model_validate({key: example})
        _check_default(table, key, row["default"])


def _in_order(table: type[Table], told: dict[str, Any]) -> Iterator[str]:
    """Inherited keys come after a table's own, as a reader looks for them."""
    own = [k for k in told if k in table.__annotations__]
    return iter([*own, *(k for k in told if k not in own)])


def _check_default(table: type[Table], key: str, cell: str) -> None:
    given = _toml(cell)
    default = table.model_fields[key].get_default()
    if key in table.needs:
        assert cell == "required"
    elif given is ABSENT:  # words: nothing is fixed in the file itself
        assert default in (None, [], {}), f"{key}: the default is {default!r}"
    else:
        read = getattr(table.model_validate({key: given}), key)
        assert read == (pytest.approx(default) if isinstance(default, float) else default)


def test_the_file_has_no_table_the_page_leaves_out() -> None:
    places = {p for page, p, _ in PLACES if page == "site-file"} | {"[conditions]"}
    assert {p for p in sections(source("site-file"))} - {"The site file"} == places


def test_what_is_only_checked_is_said_to_be() -> None:
    text = " ".join(find_page("site-file").text(10_000).split())
    forward = ROOT / "collector" / "forward"
    assert ("nothing is forwarded yet" in text) is not (forward / "influx").exists()
    assert ("nothing is published yet" in text) is not (forward / "sparkplug").exists()


def test_the_example_of_a_profile_is_one() -> None:
    example = next(b.text for b in source("device-profile") if isinstance(b, Fence))
    profile = ProfileFile.model_validate(tomllib.loads(example))
    assert len(profile.points) == 3
    assert not PointTable.model_fields.keys() - {r["key"] for r in rows(
        sections(source("device-profile"))["[[points]]"])}


@pytest.mark.parametrize("page", ["device-profile", "recorded-readings"])
def test_every_quantity_and_mode_is_told(page: str) -> None:
    told = {(r["quantity"], r["of a"]) for r in rows(find_page(page).blocks) if "quantity" in r}
    assert told == {(q, kind) for kind, group in QUANTITIES.items() for q in group}
    assert set(MODES) <= codes(find_page(page).blocks)


def test_every_column_and_quality_of_a_recording_is_told() -> None:
    blocks = source("recorded-readings")
    assert tuple(r["column"] for r in rows(blocks)) == COLUMNS
    assert {q.value for q in Quality} <= codes(blocks)


# -- commands ------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_and_option_is_told(command: str) -> None:
    written = {k.split()[1]: b for k, b in sections(source("commands")).items()
               if k.startswith("quietpipe ")}
    parser = argparse.ArgumentParser(add_help=False)
    cli.command(command)[0](parser)
    options = [o for a in parser._actions for o in a.option_strings if o.startswith("--")]
    assert sorted(n for r in rows(written[command]) for n in names(r["option"])) == \
        sorted(options)


def test_no_command_is_told_that_is_none() -> None:
    told = [k.split()[1] for k in sections(source("commands")) if k.startswith("quietpipe ")]
    assert told == list(COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_help_has_an_example(command: str) -> None:
    doc = inspect.getdoc(cli.command(command)[1])
    assert f"Example:\n  quietpipe {command}" in (doc or "") or f"\n  quietpipe {command}" in (
        doc or "").partition("Example:")[2]


# -- events --------------------------------------------------------------------------------------

MOVED = AlarmTransition(
    time=0, site="s", condition="pressure-low", asset="r1", transition=Transition.RAISED,
    priority=Priority.HIGH, signal=Signal.SUPERVISORY, since=0, text="t", id="i", by="a", why="b",
    until=1,
)
MADE = EstimateMade(time=0, site="s", quantity="leak-rate", asset="r1", value=1.0, low=0.5,
                    high=2.0, unit="scfh", window=(0, 1), reason="r")


@pytest.mark.parametrize(("event", "section"), [(MOVED, "Alarms"), (MADE, "Estimates")])
def test_every_key_of_an_event_is_told(event: Any, section: str) -> None:
    told = [n for r in rows(sections(source("events"))[section]) for n in names(r["key"])]
    written = set(json.loads(event_to_json(event)))
    assert set(told) == written - {"time", "site"}
    assert {f.name for f in fields(event)} == written - {"kind"}


def test_every_word_of_an_alarm_event_is_told() -> None:
    told = codes(sections(source("events"))["Alarms"])
    for words in (Transition, Priority, Signal):
        assert {w.value for w in words} <= told


def _constants(node: ast.stmt) -> Iterator[tuple[str, Any]]:
    """``A = "a"`` and ``A, B = "a", "b"`` of a module."""
    if not isinstance(node, ast.Assign):
        return
    for target in node.targets:
        many = isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple)
        pairs = zip(target.elts, node.value.elts, strict=True) if many else [(target, node.value)]
        for name, value in pairs:
            if isinstance(name, ast.Name) and isinstance(value, ast.Constant):
                yield name.id, value.value


def _facts() -> set[str]:
    """Every fact that the program notes, by the literal it is noted with."""
    found = set()
    texts = (path.read_text(encoding="utf-8") for path in (ROOT / "collector").rglob("*.py"))
    trees = [ast.parse(text) for text in texts
             if any(word in text for word in ("fact", "delivery-", "_note", "_record_event"))]
    constants = dict(pair for tree in trees for node in tree.body for pair in _constants(node))
    for tree in trees:
        for node in ast.walk(tree):
            if isinstance(node, ast.Assign) and any(
                isinstance(t, ast.Name) and t.id == "facts" for t in node.targets
            ):  # what a rule listens for
                found |= {c.value for c in ast.walk(node.value) if isinstance(c, ast.Constant)}
            if not isinstance(node, ast.Call):
                continue
            given = [k.value for k in node.keywords if k.arg == "fact"]
            if isinstance(node.func, ast.Attribute) and node.func.attr in (
                    "_note", "_record_event"):
                given += node.args[:1]
            for value in given:
                if isinstance(value, ast.Constant):
                    found.add(value.value)
                elif isinstance(value, ast.Name) and value.id in constants:
                    found.add(constants[value.id])
    return found | set(FACTS)


def test_every_fact_is_told() -> None:
    told = {r["kind"] for r in rows(sections(source("events"))["Facts of the collector's own"])}
    assert "collector-started" in told
    assert told == _facts()
    assert json.loads(event_to_json(SystemEvent(time=0, site="s", fact="x", text="t"))).keys() == {
        "time", "site", "kind", "text"}


# -- alarms and cautions -------------------------------------------------------------------------


def test_every_state_and_step_of_an_alarm_is_told() -> None:
    page = find_page("alarm-states")
    told = rows(page.blocks)
    assert [r["state"] for r in told if "state" in r] == [s.value for s in AlarmState]
    steps = {(r["from state"], r["input"], r["to state"])
             for r in told if "to state" in r}
    assert steps == {(s.value, i.value, step.to.value) for (s, i), step in TABLE.items()}


def test_the_drawing_of_the_states_is_the_table_s() -> None:
    drawings = [b.text for b in source("alarm-states")
                if isinstance(b, Fence) and b.kind == "mermaid"]
    assert drawings == [diagram()], "draw it anew: collector.alarms.diagram()"


def test_every_caution_is_told() -> None:
    text = " ".join(find_page("cautions").text(200).split())
    for caution in CAUTIONS.values():
        assert caution in text


# -- the README and what it leads to -------------------------------------------------------------


def test_the_readme_leads_to_pages_that_are_there() -> None:
    assert {*SUBJECT_IDS, CONTENTS} <= readme_pages() <= {*page_ids(), CONTENTS}


def test_nothing_is_left_out_of_the_readme_and_the_pages_it_leads_to() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8") + "".join(
        find_page(name).text(10_000) for name in readme_pages())
    wanted = {
        *(f"quietpipe {c}" for c in COMMANDS), *CATALOGUE, *(s.value for s in AlarmState),
        *(k for _, place, table in PLACES for k in table.model_fields),
        *SiteFile.model_fields, *CAUTIONS.values(),
    }
    assert not {w for w in wanted if w not in text}

