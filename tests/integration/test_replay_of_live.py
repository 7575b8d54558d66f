"""What the live daemon said, replayed from its own exported journal: the same bytes."""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from pathlib import Path

import pytest

from collector.clock import ScaledClock
from collector.daemon import Daemon
from simulators.scenario import load_scenario
from simulators.testing import PlantServer

SECONDS = 40
SPEED = 400


async def _live(folder: Path) -> Path:
    """Run plant and daemon side by side until a few alarms have come and gone."""
    origin = load_scenario("demo").plant.start
    clock = ScaledClock(origin=origin, speed=SPEED)
    async with PlantServer("demo", clock=clock) as plant:
        site = plant.write_site(folder)
        daemon = Daemon(site, clock=clock, listen=("127.0.0.1", 0))
        running = asyncio.create_task(daemon.run())
        await asyncio.sleep(SECONDS)
        daemon.stop()
        await running
    return site


def _quietpipe(*arguments: str) -> str:
    done = subprocess.run([sys.executable, "-m", "collector.cli", *arguments],
                          capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.slow
def test_the_exported_journal_replays_to_the_events_the_daemon_gave(tmp_path):
    site = asyncio.run(_live(tmp_path))
    recording = tmp_path / "readings.csv"
    recording.write_text(_quietpipe("export", str(site)))

    replayed = _quietpipe("replay", str(site), str(recording))
    assert replayed == _quietpipe("replay", str(site), str(recording)), "not the same bytes twice"

    lines = _quietpipe("export", str(site), "--events").splitlines()
    # What is no matter of the readings cannot come back from them: the daemon's own facts
    # (started, stopped). Nobody acknowledged anything here. All else must be the same bytes.
    live = [line for line in lines if json.loads(line)["kind"] in ("alarm", "estimate")]
    assert {json.loads(line)["kind"] for line in lines} - {"alarm", "estimate"} <= {
        "collector-started", "collector-stopped",
    }
    assert replayed.splitlines() == live
    conditions = {json.loads(line).get("condition") for line in live}
    assert {"compressor-long-run", "air-fill-stuck"} <= conditions
