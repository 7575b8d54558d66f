"""The daemon as a process, forwarding to a real InfluxDB; its plug is pulled on the way."""

from __future__ import annotations

import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.journal import Journal
from tests.forward.influx.peers import Influxd
from tests.integration.support import get_json, until
from tests.integration.test_daemon import Works, _controller
from tests.wire import in_thread

INFLUX = '\n[influx]\napi = "v1"\nurl = "{url}"\ndatabase = "sprinklers"\n'


@pytest.fixture
def works(tmp_path: Path) -> Iterator[Works]:
    with in_thread(_controller) as port:
        made = Works(tmp_path, port)
        yield made
        made.close()


@pytest.mark.slow
def test_what_is_in_the_journal_is_at_the_far_end_after_a_pulled_plug(
    works: Works, influxd: Influxd,
) -> None:
    works.write(more=INFLUX.format(url=influxd.url))
    first = works.start()

    def rows() -> int:
        found = influxd.query("SELECT count(tank_pressure) AS n FROM generator")
        return int(found[0]["n"]) if found else 0

    until(lambda: rows() > 5, within=20, what="readings at the far end")
    first.kill()
    second = works.start()
    began = rows()
    until(lambda: rows() > began + 20, within=30, what="more of them")
    health = get_json(works.board + "/healthz")
    (far,) = health["forwards"]
    assert (health["alive"], far["target"], far["reachable"]) == (True, "InfluxDB", True)
    with urllib.request.urlopen(works.board + "/metrics", timeout=5) as answer:
        text = answer.read().decode()
    assert 'quietpipe_forward_reachable{target="InfluxDB"} 1.0' in text
    influxd.stop()
    time.sleep(0.2)
    assert second.terminate() < 5
    with Journal.open(works.journal, read_only=True) as journal:
        kept = {r.time: r.value for r in journal.readings(["gen1.tank_pressure"], None, None)
                if r.usable is not None}
    influxd.start()
    works.start()
    until(lambda: rows() >= len(kept), within=30, what="all of them")
    found = {row["time"]: row["tank_pressure"]
             for row in influxd.query("SELECT tank_pressure FROM generator")}
    assert kept.items() <= found.items()
    facts = {row["fact"] for row in influxd.query("SELECT text, fact FROM fact")}
    assert {"collector-started", "collector-stopped"} <= facts
