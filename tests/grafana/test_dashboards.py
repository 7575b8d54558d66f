"""What ships names only what is written, and is read by Grafana."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
import yaml

from collector.commands.dashboards import dashboards, written
from collector.domain.conditions import CAUTIONS
from collector.domain.plant import Generator, Plant, Riser, Room, Site, Vent
from collector.domain.readings import MODES
from collector.forward.influx import FIELDS, TAGS
from collector.handbook import QUANTITY_IDS
from tests.grafana import schemas

ROOT = Path(__file__).resolve().parents[2]
SHIPPED = ROOT / "grafana_provisioning"

PLANT = Plant(
    site=Site(id="fenmoor", name="Fenmoor Cold Store", timezone="Europe/London", units="metric"),
    generators={"gen1": Generator(id="gen1", name="Generator 1", cut_in=60, cut_out=80)},
    risers={"r1": Riser(id="r1", name="Dock riser", fed_by="gen1", low_pressure=18,
                        high_pressure=40), "r2": Riser(id="r2", name="Spare riser")},
    vents={"r1-vent": Vent(id="r1-vent", name="Dock vent", riser="r1", target_oxygen=2)},
    rooms={"plant-room": Room(id="plant-room", name="Plant room")},
)
BOARDS = {**{f"every site: {k}": b for k, b in dashboards().items()},
          **{f"one site: {k}": b for k, b in dashboards(PLANT).items()}}


def queries(board):
    return [(p["title"], t["query"]) for p in board["panels"] for t in p.get("targets", ())]


def test_every_board_that_ships_is_read_and_is_written_as_it_ships():
    shipped = {p.stem: p.read_text(encoding="utf-8") for p in (SHIPPED / "boards").iterdir()}
    assert shipped == {name: written(board) for name, board in dashboards().items()}


def test_there_is_a_page_for_each_question():
    assert list(dashboards()) == ["now", "purge", "compressor", "alarms", "fleet"]
    assert list(dashboards(PLANT)) == ["now", "purge", "compressor", "alarms"]


def check_names(query):
    assert 'FROM "' in query
    for measurement, inner in re.findall(r'FROM "(\w+)" WHERE (.*?)(?:\)|$)', query):
        known = FIELDS[measurement] | TAGS[measurement]
        # What a query itself called a column may be asked for by that name.
        own = set(re.findall(r'AS "([^"]+)"', query))
        used = set(re.findall(r'"([^"]+)"', query)) - own - {measurement}
        assert used <= known, (query, used - known)
        assert inner
    for quantity in re.findall(r"\"quantity\" = '([^']+)'", query):
        assert quantity in QUANTITY_IDS


@pytest.mark.parametrize("name", BOARDS)
def test_every_name_in_a_query_is_one_that_is_written(name):
    board = BOARDS[name]
    for query in [q for _, q in queries(board)] + [a["query"] for a in
                                                   board["annotations"]["list"]]:
        check_names(query)


@pytest.mark.parametrize("wrong", [
    'SELECT mean("presure") AS "p" FROM "riser" WHERE $timeFilter',
    'SELECT last("text") AS "p" FROM "alarm" WHERE "quantity" = \'x\' AND $timeFilter',
])
def test_a_field_or_tag_that_nobody_writes_is_refused(wrong):
    with pytest.raises(AssertionError, match="presure|quantity"):
        check_names(wrong)


def test_a_mode_has_the_word_that_it_has_everywhere():
    tables = [o for p in BOARDS["every site: now"]["panels"] for o in
              p["fieldConfig"]["overrides"] if o["matcher"]["options"] == "Mode"]
    (shown,) = [q["value"] for o in tables for q in o["properties"] if q["id"] == "mappings"]
    assert {int(k): v["options"][k]["text"] for v in shown for k in v["options"]} == dict(
        enumerate(MODES))


def test_every_quantity_that_is_reported_is_on_a_panel():
    asked = [query for board in dashboards().values() for _, query in queries(board)
             if 'FROM "estimate"' in query]
    named = {q for query in asked for q in re.findall(r"\"quantity\" = '([^']+)'", query)}
    assert any('"quantity" =' not in query and 'BY "site", "quantity"' in query for query in asked)
    assert named <= set(QUANTITY_IDS)


@pytest.mark.parametrize("name", BOARDS)
def test_a_dashboard_has_the_shape(name):
    board = BOARDS[name]
    jsonschema.validate(board, schemas.DASHBOARD)
    assert len({p["id"] for p in board["panels"]}) == len(board["panels"])
    assert CAUTIONS["not-a-fire-alarm"] in board["panels"][-1]["options"]["content"]
    variables = {v["name"] for v in board["templating"]["list"]}
    text = json.dumps(board)
    assert set(re.findall(r"\$\{(\w+)(?::\w+)?\}", text)) <= variables
    assert "http://" not in text
    assert "https://" not in text


@pytest.mark.parametrize("name", BOARDS)
def test_panels_do_not_overlap_and_stay_on_the_page(name):
    taken = set()
    for panel in BOARDS[name]["panels"]:
        at = panel["gridPos"]
        cells = {(x, y) for x in range(at["x"], at["x"] + at["w"])
                 for y in range(at["y"], at["y"] + at["h"])}
        assert at["x"] + at["w"] <= 24
        assert not taken & cells, panel["title"]
        taken |= cells


@pytest.mark.parametrize("name", BOARDS)
def test_grafana_s_own_models_know_every_key(name):
    """The models of 11.6 read it and write it again: what they do not know would be lost."""
    sdk = pytest.importorskip("grafana_foundation_sdk.models.dashboard",
                              reason="grafana-foundation-sdk is not installed")
    from grafana_foundation_sdk.cog.encoder import JSONEncoder

    board = BOARDS[name]
    again = json.loads(json.dumps(sdk.Dashboard.from_json(json.loads(json.dumps(board))),
                                  cls=JSONEncoder))
    # What a data source adds to annotations is its own; the models leave it out.
    lost = [x for x in _lost(board, again) if not x.startswith(".annotations.list[0].")]
    assert not lost


def _lost(mine, theirs, at=""):
    if isinstance(mine, dict):
        assert isinstance(theirs, dict), at
        found = [f"{at}.{k}" for k in mine if k not in theirs and mine[k] not in (None, [], {})]
        return found + [x for k in mine if k in theirs for x in _lost(mine[k], theirs[k],
                                                                      f"{at}.{k}")]
    if isinstance(mine, list):
        assert len(mine) == len(theirs), at
        return [x for n, (a, b) in enumerate(zip(mine, theirs, strict=True))
                for x in _lost(a, b, f"{at}[{n}]")]
    return [] if mine == theirs else [f"{at}: {mine!r} became {theirs!r}"]


@pytest.mark.parametrize(("file", "schema"), [
    ("datasources/quietpipe.yaml", schemas.DATASOURCES),
    ("dashboards/quietpipe.yaml", schemas.PROVIDERS),
])
def test_provisioning_has_the_shape(file, schema):
    jsonschema.validate(yaml.safe_load((SHIPPED / file).read_text()), schema)


def test_a_site_s_own_dashboards_have_its_names_limits_and_units():
    boards = dashboards(PLANT)
    text = json.dumps(boards, ensure_ascii=False)
    assert "Dock riser" in text
    limits = [q for _, q in queries(boards["now"]) if "* 0 +" in q]
    assert len(limits) == 4  # two of the riser that has them, two of the generator
    assert any("* 0 + 18) ${pressure:raw}" in q and "= 'r1'" in q for q in limits)
    assert any("* 0 + 2)" in q for _, q in queries(boards["purge"]))
    units = {v["name"]: v["current"]["text"] for v in boards["now"]["templating"]["list"]}
    assert units == {"site": "fenmoor", "pressure": "bar", "temperature": "°C"}
    assert boards["now"]["title"] == "Fenmoor Cold Store: Site now"


def test_the_command_writes_them(tmp_path):
    site = tmp_path / "site.toml"
    site.write_text('[site]\nid = "fenmoor"\ntimezone = "Europe/London"\n'
                    '[[risers]]\nid = "r1"\nlow_pressure = "18 psi"\n')
    done = subprocess.run(
        [sys.executable, "-m", "collector.cli", "dashboards", str(site), "--to",
         str(tmp_path / "out")], capture_output=True, text=True, check=True, cwd=ROOT)
    paths = [Path(line) for line in done.stdout.splitlines()]
    assert [p.name for p in paths] == [f"fenmoor-{n}.json" for n in ("now", "purge", "compressor",
                                                                    "alarms")]
    assert "* 0 + 18)" in paths[0].read_text()
