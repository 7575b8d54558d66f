"""A pulled plug at many random moments: nothing committed is lost, nothing is told too often."""

from __future__ import annotations

import asyncio
import contextlib
import random
import sqlite3
import time
from collections import Counter
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from collector.domain.events import AlarmTransition, Transition, event_to_json
from collector.journal import Journal
from tests.integration.support import DaemonProcess, beside, hook, until
from tests.sources.peer import Peer
from tests.wire import in_thread, tcp_tap

RISERS = 6

PROFILE = """
[profile]
name = "One pressure"
word_order = "high-first"
byte_order = "high-first"

[[points]]
quantity = "pressure"
table = "input-registers"
address = 0
type = "int16"
scale = 0.1
unit = "psi"
"""


def _site(folder: Path, port: int, hook_address: str) -> Path:
    risers = "\n".join(f"""
[[risers]]
id = "r{n}"
name = "Riser {n}"
low_pressure = "18 psi"
supervisory_pressure = "25 psi"

[[devices]]
id = "gauge{n}"
address = "tcp://127.0.0.1:{port}"
unit = {n}
profile = "gauge.toml"
every = "100 ms"
watches = "r{n}"
""" for n in range(1, RISERS + 1))
    (folder / "gauge.toml").write_text(PROFILE)
    site = folder / "site.toml"
    site.write_text(f"""
[site]
id = "plug"
name = "Pulled plug"
timezone = "Europe/London"
data = "data"
evaluate_every = "100 ms"

[board]
listen = "127.0.0.1:0"

[[recipients]]
id = "hook"
to = "{hook_address}"

[conditions.pressure-low]
on_delay = "0 s"
off_delay = "0 s"
{risers}
""")
    return site


@contextlib.asynccontextmanager
async def _gauges() -> AsyncIterator[int]:
    """Serve pressures that fall low and recover, each riser at a pace of its own."""
    peer = Peer()

    async def move() -> None:
        while True:
            now = time.monotonic()
            for n in range(1, RISERS + 1):
                low = int(now / (0.9 + 0.17 * n)) % 2
                peer.units[n].registers[0] = (100 if low else 250) + n
            await asyncio.sleep(0.02)

    async with beside(move), peer.tcp() as port, tcp_tap("127.0.0.1", port) as tapped:
        await asyncio.sleep(0.05)
        yield tapped


def _content(folder: Path) -> tuple[set[tuple[str, int, float | None]], dict[int, str]]:
    """Return every reading and every event (by number) that the journal holds."""
    with Journal.open(folder / "data" / "journal.sqlite") as journal:
        readings = {(r.point, r.time, r.value) for r in journal.readings(None, None, None)}
        events = {s.seq: event_to_json(s.event) for s in journal.events()}
    return readings, events


def _alarms(folder: Path) -> list[AlarmTransition]:
    with Journal.open(folder / "data" / "journal.sqlite") as journal:
        return [s.event for s in journal.events() if isinstance(s.event, AlarmTransition)]


def _rows(folder: Path) -> int:
    """Return how many readings are committed, without taking the journal from the daemon."""
    path = folder / "data" / "journal.sqlite"
    if not path.exists():
        return 0
    with contextlib.closing(sqlite3.connect(path)) as db, \
            contextlib.suppress(sqlite3.OperationalError):  # its tables are only being made
        return int(db.execute("SELECT count(*) FROM readings").fetchone()[0])
    return 0


def _kill_at_random(site: Path, rng: random.Random) -> None:
    """Kill a daemon once while it still starts, three times out of four well under way."""
    daemon = DaemonProcess(site)
    if rng.random() < 0.25:
        time.sleep(rng.uniform(0.2, 2.0))
    else:
        # The first commit only says that the watch began: it is at work once readings follow.
        began = _rows(site.parent)
        until(lambda: _rows(site.parent) > began, within=30,
              what=f"a committed reading; {daemon.tail()}")
        time.sleep(rng.uniform(0.0, 2.5))
    assert daemon.process.poll() is None, daemon.tail()
    daemon.kill()


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize("kills", [15, pytest.param(50, marks=pytest.mark.long)])
def test_a_pulled_plug_at_random_moments_loses_and_doubles_nothing(tmp_path, kills):
    rng = random.Random(50)
    with hook(delay=0.02) as far, in_thread(_gauges) as port:
        site = _site(tmp_path, port, far.address)
        kept_readings: set[tuple[str, int, float | None]] = set()
        kept_events: dict[int, str] = {}
        grown = 0
        for _ in range(kills):
            _kill_at_random(site, rng)
            if not (tmp_path / "data" / "journal.sqlite").exists():
                continue
            readings, events = _content(tmp_path)
            assert kept_readings <= readings, "a committed reading is gone"
            assert kept_events.items() <= events.items(), "a committed event is gone or changed"
            grown += len(readings) > len(kept_readings)
            kept_readings, kept_events = readings, events
        assert grown > kills // 2, "the daemon was mostly killed before it did anything"

        daemon = DaemonProcess(site)
        before = len(far.received)
        until(lambda: len(far.received) > before + 10, within=30,
              what="messages after the last start")
        assert daemon.terminate() < 5

    _assert_told_rightly(_alarms(tmp_path), far.received)


def _assert_told_rightly(alarms: list[AlarmTransition], received: list[dict[str, object]]) -> None:
    standing: set[str] = set()
    for event in alarms:
        asset = f"{event.condition}.{event.asset}"
        if event.transition is Transition.RAISED:
            assert asset not in standing, f"raised twice: {event}"
            standing.add(asset)
        elif event.transition is Transition.RETURNED:
            assert asset in standing, f"returned without standing: {event}"
            standing.discard(asset)
    told = Counter((e["id"], e["transition"]) for e in received if e["kind"] == "alarm")
    journalled = Counter((e.id, e.transition.value) for e in alarms)
    assert set(told) <= set(journalled), "told of something the journal does not hold"
    assert max(told.values()) <= 2, "told more than twice"
    assert max(journalled.values()) == 1, "the same transition of one alarm twice"
    raised = {key for key in journalled if key[1] == "raised"}
    assert len(raised) > 50
    # What was raised in the last moments may still be on its way when the daemon stops.
    assert len(raised - set(told)) <= RISERS, "raised, and nobody was told"
