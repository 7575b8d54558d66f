"""The whole daemon, killed again and again while it publishes: nothing journalled is missing."""

from __future__ import annotations

import json
import random
import time
from pathlib import Path

import pytest

from collector.journal import Journal
from tests.forward.sparkplug.broker import Mosquitto, Observer
from tests.forward.support import decoded
from tests.integration.support import DaemonProcess, hook, until
from tests.integration.test_kill import RISERS, _gauges, _site
from tests.wire import in_thread

KILLS = 4


def _arrived(observer: Observer) -> set[tuple[str, int, float | None]]:
    """Every pressure that arrived, by the alias its birth gave it."""
    found = set()
    alias: dict[tuple[str, int], str] = {}
    for seen in observer.of("DBIRTH", "DDATA"):
        for metric in decoded(seen.payload).metrics:
            if metric.name:
                alias[seen.thing, metric.alias] = metric.name
            point = f"{seen.thing}.{alias[seen.thing, metric.alias]}"
            found.add((point, metric.timestamp, None if metric.is_null else metric.double_value))
    return found


def _one_more(observer: Observer, verb: str) -> None:
    """Wait until there is one more than there was when this was last asked of ``verb``."""
    counted = observer.__dict__.setdefault("counted", {})
    counted[verb] = counted.get(verb, 0) + 1
    until(lambda: len(observer.of(verb)) >= counted[verb], within=30,
          what=f"{verb} number {counted[verb]}")


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_a_killed_daemon_leaves_nothing_unpublished(
    tmp_path: Path, broker: Mosquitto, observer: Observer,
) -> None:
    rng = random.Random(7)
    with hook() as far, in_thread(_gauges) as port:
        site = _site(tmp_path, port, far.address)
        me = broker.settings("plug")
        site.write_text(site.read_text() + f"""
[mqtt]
broker = "mqtts://127.0.0.1:{broker.port}"
fleet = "north"
ca = "{me.ca}"
certificate = "{me.certificate}"
key = "{me.key}"
""")
        for n in range(KILLS):
            daemon = DaemonProcess(site)
            _one_more(observer, "NBIRTH")
            time.sleep(rng.uniform(0.0, 2.0))
            if n == KILLS // 2:
                broker.restart()
                _one_more(observer, "NDEATH")
                _one_more(observer, "NBIRTH")
                time.sleep(rng.uniform(0.0, 2.0))
            daemon.kill()
            _one_more(observer, "NDEATH")
        daemon = DaemonProcess(site)
        _one_more(observer, "NBIRTH")
        time.sleep(3)
        took = daemon.terminate()
        assert took < 5

    with Journal.open(tmp_path / "data" / "journal.sqlite") as journal:
        kept = {(r.point, r.time, r.value) for r in journal.readings(None, None, None)}
        numbers = {s.seq for s in journal.events()}
        assert journal.position("mqtt") == journal.last_commit
    events = [json.loads(s.payload) for s in observer.of("events")]
    assert {e["seq"] for e in events} == numbers
    assert len({e["journal"] for e in events}) == 1
    assert len(kept) > 40 * RISERS
    assert kept - _arrived(observer) == set()
    bd_seqs = [next(m.long_value for m in decoded(s.payload).metrics if m.name == "bdSeq")
               for s in observer.of("NBIRTH")]
    assert bd_seqs == sorted(set(bd_seqs)), "a number for each connection"
