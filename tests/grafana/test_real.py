"""Every query of every panel, on a real InfluxDB that holds the bundled plant's story."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import pytest

from collector.commands.dashboards import dashboards
from collector.config import SiteConfig
from collector.forward import InfluxSettings
from tests.forward.influx.peers import Influxd
from tests.grafana.load import MORE, fill, forward

HOURS = 50

_UNITS = {"pressure": ("* 1", "* 0.0689476"), "temperature": ("* 1.8 + 32", "* 1")}


@dataclass
class Loaded:
    server: Influxd
    config: SiteConfig


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Loaded]:
    folder: Path = tmp_path_factory.mktemp("grafana")
    (folder / "influx").mkdir()
    server = Influxd(folder / "influx")
    server.start()
    server.query("CREATE DATABASE sprinklers")
    journal, config = fill(folder / "demo", "demo", HOURS, MORE)
    settings = InfluxSettings(api="v1", url=server.url, database="sprinklers")
    worker = asyncio.run(forward(journal, config, settings, folder))
    assert worker.statistics().dead_letters == 0
    journal.close()
    yield Loaded(server, config)
    server.stop()


def spoken(query: str) -> Iterator[str]:
    """A query as Grafana would send it, once for each choice of units."""
    filled = query.replace("${site:regex}", "fenmoor").replace("$__interval", "10m") \
        .replace("$timeFilter", f"time > now() - {HOURS + 4}h AND time < now()")
    for pressure, temperature in product(*_UNITS.values()):
        said = filled.replace("${pressure:raw}", pressure).replace("${pressure:text}", "psi") \
            .replace("${temperature:raw}", temperature).replace("${temperature:text}", "C")
        assert not re.search(r"\$(?!/)", said), said
        yield said
        if said == filled:
            return


@pytest.mark.slow
@pytest.mark.timeout(300)  # the story is played first
@pytest.mark.parametrize("own", [False, True], ids=["every site", "one site"])
def test_every_query_of_every_panel_gives_rows(loaded: Loaded, own: bool) -> None:
    empty, asked = [], 0
    for name, board in dashboards(loaded.config.plant if own else None).items():
        for panel in board["panels"]:
            for target in panel.get("targets", ()):
                for query in spoken(target["query"]):
                    asked += 1
                    rows = loaded.server.query(query)
                    values = [v for row in rows for k, v in row.items() if k != "time"]
                    if not any(v is not None for v in values):
                        empty.append(f"{name}: {panel['title']}: {query}")
        for note in board["annotations"]["list"]:
            for query in spoken(note["query"]):
                assert loaded.server.query(query)
    assert asked > 50
    assert not empty, "\n".join(empty)


@pytest.mark.slow
def test_the_site_variable_lists_the_site(loaded: Loaded) -> None:
    variable = dashboards()["now"]["templating"]["list"][0]
    assert {row["value"] for row in loaded.server.query(variable["query"])} == {"fenmoor"}


@pytest.mark.slow
def test_a_limit_is_drawn_in_the_unit_that_is_shown(loaded: Loaded) -> None:
    board = dashboards(loaded.config.plant)["now"]
    (panel,) = [p for p in board["panels"] if p["title"].startswith("Supervisory pressure")]
    (query,) = [t["query"] for t in panel["targets"]
                if "18)" in t["query"] and "'r1'" in t["query"]]
    us, metric = [next(iter(loaded.server.query(q)))["low"] for q in list(spoken(query))[::2]]
    assert us == 18
    assert metric == pytest.approx(18 * 0.0689476)


@pytest.mark.slow
def test_what_stands_is_what_the_rules_say_stands(loaded: Loaded) -> None:
    board = dashboards()["now"]
    (panel,) = [p for p in board["panels"] if p["title"] == "Active alarms"]
    rows = loaded.server.query(next(spoken(panel["targets"][0]["query"])))
    moves: dict[tuple[str, str], float] = {}
    for row in loaded.server.query("SELECT standing, asset, condition FROM alarm"):
        if row["standing"] is not None:
            moves[row["asset"], row["condition"]] = row["standing"]
    assert (rows[0]["standing"] if rows else 0) == sum(moves.values())
