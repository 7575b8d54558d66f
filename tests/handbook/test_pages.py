"""Pages, conditions, quantities and settings are held together."""

from __future__ import annotations

import ast
import tomllib
from html.parser import HTMLParser
from pathlib import Path
from typing import get_args

import pytest

from collector.config import load_site
from collector.config.tables import SiteFile, Table
from collector.domain.conditions import CATALOGUE, CAUTIONS
from collector.domain.conditions.schema import DECLARED_FILL, Cause, Condition
from collector.domain.readings import QUANTITIES
from collector.handbook import CONTENTS, QUANTITY_IDS, SUBJECT_IDS, find_page, page_ids
from collector.handbook.markdown import Fence, Heading, plain
from tests.handbook.support import PAGES, ROOT, codes, links, rows, sections, source

CONDITION_SECTIONS = ["When it is raised", "What explains it away", "What it cannot see",
                      "See also"]
QUANTITY_SECTIONS = ["How it is computed", "What it needs", "When there is none",
                     "What it cannot see", "See also"]
SITE = """\
[site]
id = "fenmoor"
timezone = "Europe/London"

[[generators]]
id = "gen1"

[[risers]]
id = "r1"

[[vents]]
id = "r1-vent"
riser = "r1"

[[rooms]]
id = "plant-room"

[[devices]]
id = "gen1-controller"
address = "tcp://127.0.0.1:5020"
profile = "p.toml"
watches = "gen1"

"""
PROFILE = '[[points]]\nquantity = "tank_pressure"\ntable = "input-registers"\naddress = 0\n'


def test_every_page_has_its_file_and_every_file_is_a_page() -> None:
    assert {p.stem for p in PAGES.glob("*.md")} == {*page_ids(), CONTENTS}
    assert len(page_ids()) == len(set(page_ids())) == sum(
        map(len, (CATALOGUE, QUANTITY_IDS, SUBJECT_IDS)))


def test_the_contents_name_every_page_once_by_its_title() -> None:
    listed = [(r["page"], r["title"]) for r in rows(find_page(CONTENTS).blocks)]
    assert listed == [(name, find_page(name).title) for name in page_ids()]


@pytest.mark.parametrize("name", page_ids())
def test_a_page_reads_whole(name: str) -> None:
    page = find_page(name)
    text = page.text(72)
    titles = [b for b in page.blocks if isinstance(b, Heading) and b.level == 1]
    assert [plain(t.spans) for t in titles] == [page.title]
    for ours in ("check-values", "None", "TODO", "](", "**", "<!--"):
        assert ours not in text, ours
    fenced = {line for b in page.blocks if isinstance(b, Fence) for line in b.text.splitlines()}
    long = [line for line in text.splitlines() if len(line) > 72 and line.strip() not in fenced]
    # A single word longer than the line is left whole, so that it can be copied.
    assert not [line for line in long if len(line.split()) > 1 and line[4:] not in fenced]


@pytest.mark.parametrize("name", page_ids())
def test_links_lead_to_pages(name: str) -> None:
    found = links(source(name))
    assert found <= set(page_ids())
    if name in CATALOGUE or name in QUANTITY_IDS:
        assert found
        assert name not in found


@pytest.mark.parametrize("name", CATALOGUE)
def test_a_condition_says_the_same_as_the_catalogue(name: str) -> None:
    condition, page = CATALOGUE[name], find_page(name)
    assert page.title == condition.title
    written = sections(source(name))
    assert list(written)[1:] == CONDITION_SECTIONS
    assert all(written.values())
    whole = " ".join(page.text(10_000).split())
    assert f"A {condition.signal.value} signal of {condition.priority.value} priority" in whole
    assert condition.causes or not condition.built
    for number, cause in enumerate(condition.causes, 1):
        assert f"{number}. {' '.join(cause.split())}" in whole
    for caution in {*condition.cautions, "not-a-fire-alarm"}:
        assert whole.count(CAUTIONS[caution]) == 1
    for setting in condition.all_settings() if condition.built else ():
        line = next(x for x in page.text(10_000).splitlines() if x.startswith(f"{setting.name} "))
        assert " ".join(setting.doc.split()) in " ".join(line.split())
        assert " ".join(setting.source.split()) in " ".join(line.split())
        if setting.default is not None and not isinstance(setting.default, bool):
            default = setting.default
            assert (default if isinstance(default, str) else f"{default:g}") in line


@pytest.mark.parametrize(
    ("of", "cause"), [(c, cause) for c in CATALOGUE.values() for cause in c.explained_by],
    ids=lambda x: x.id if isinstance(x, Condition) else x.by)
def test_what_explains_what_is_on_both_pages(of: Condition, cause: Cause) -> None:
    told = " ".join(find_page("alarm-states").text(10_000).split())
    if cause.by == DECLARED_FILL:
        assert "a declared fill" in find_page(of.id).text(10_000)
    else:
        assert cause.by in told
        assert cause.by in links(find_page(of.id).blocks)
        assert of.id in links(find_page(cause.by).blocks)


def _keys(model: type[Table]) -> set[str]:
    found = set(model.model_fields)
    for field in model.model_fields.values():
        for inner in (field.annotation, *get_args(field.annotation)):
            for one in (inner, *get_args(inner)):
                if isinstance(one, type) and issubclass(one, Table):
                    found |= _keys(one)
    return found


KNOWN_WORDS = _keys(SiteFile) | {q for group in QUANTITIES.values() for q in group}


@pytest.mark.parametrize("name", CATALOGUE)
def test_a_condition_speaks_of_no_setting_it_has_not(name: str) -> None:
    condition = CATALOGUE[name]
    spoken = {c for c in codes(source(name)) if c.replace("_", "").isalpha()}
    assert spoken - KNOWN_WORDS <= {s.name for s in condition.all_settings()}


@pytest.mark.parametrize("name", QUANTITY_IDS)
def test_a_quantity_says_how_what_and_when_not(name: str) -> None:
    written = sections(source(name))
    assert list(written)[1:] == QUANTITY_SECTIONS
    assert all(written.values())
    assert any(isinstance(b, Fence) for b in written["How it is computed"])
    settings = {s.name for c in CATALOGUE.values() for s in c.all_settings()}
    spoken = {c for c in codes(source(name)) if c.replace("_", "").isalpha()}
    assert spoken <= KNOWN_WORDS | settings


@pytest.mark.parametrize("name", [c.id for c in CATALOGUE.values() if c.built])
def test_the_example_of_settings_is_one_a_site_file_takes(name: str, tmp_path: Path) -> None:
    example = next(b.text for b in find_page(name).blocks
                   if isinstance(b, Fence) and b.kind == "toml")
    assert tomllib.loads(example)["conditions"][name]
    (tmp_path / "site.toml").write_text(SITE + example)
    (tmp_path / "p.toml").write_text(PROFILE)
    config = load_site(tmp_path / "site.toml")
    assert config.settings.general[name]
    # It only states what holds anyway: whoever copies it changes nothing by accident.
    assert config.settings.general[name].items() <= config.settings.defaults[name].items()


def _reported() -> set[str]:
    """Every quantity that a rule or an estimator of the program names as its own."""
    found = set()
    for path in (ROOT / "collector" / "rules").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and node.value in QUANTITY_IDS:
                found.add(str(node.value))
            if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant) and any(
                isinstance(t, ast.Name) and t.id == "quantity" for t in node.targets
            ):
                found.add(str(node.value.value))
    return found - {q for group in QUANTITIES.values() for q in group}


def test_what_is_reported_has_its_page_and_what_has_a_page_is_reported() -> None:
    assert _reported() == set(QUANTITY_IDS)


class _Balanced(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.open.append(tag)
        assert [n for n, _ in attrs] in ([], ["href"], ["scope"], ["data-head"],
                                         ["src", "alt", "loading"])
        self.links += [v or "" for n, v in attrs if n == "href"]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


@pytest.mark.parametrize("name", [*page_ids(), CONTENTS])
def test_a_page_is_sound_html_without_a_title_of_its_own(name: str) -> None:
    parser = _Balanced()
    html = find_page(name).html()
    parser.feed(html)
    assert parser.open == []
    assert "<h1" not in html
    for link in parser.links:
        assert find_page(link.removeprefix("/explain/"))
