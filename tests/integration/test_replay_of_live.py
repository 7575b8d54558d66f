"""What the live daemon said, replayed from its own exported journal: the same bytes."""

from __future__ import annotations

import asyncio
import dataclasses
import json
import subprocess
import sys
from pathlib import Path

import pytest

from collector import recorded
from collector.cli import main
from collector.clock import ScaledClock, parse_instant
from collector.daemon import Daemon
from simulators.scenario import Scenario, load_scenario
from simulators.testing import PlantServer

SECONDS = 43
"""Ends minutes from any turn of the story: a tick after the last reading is told of live only."""
NIGHT = 100
SPEED = 400


async def _live(folder: Path, scenario: Scenario, seconds: int = SECONDS) -> Path:
    """Run plant and daemon side by side until a few alarms have come and gone."""
    clock = ScaledClock(origin=scenario.plant.start, speed=SPEED)
    async with PlantServer(scenario, clock=clock) as plant:
        site = plant.write_site(folder)
        daemon = Daemon(site, clock=clock, listen=("127.0.0.1", 0))
        running = asyncio.create_task(daemon.run())
        await asyncio.sleep(seconds)
        daemon.stop()
        await running
    return site


def _quietpipe(*arguments: str) -> str:
    done = subprocess.run([sys.executable, "-m", "collector.cli", *arguments],
                          capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def _told(site: Path) -> list[str]:
    """Return what the daemon told of the plant.

    What is no matter of the readings cannot come back from them: the daemon's own facts (started,
    stopped). Nobody acknowledged anything here. All else must be the same bytes.
    """
    lines = _quietpipe("export", str(site), "--events").splitlines()
    assert {json.loads(line)["kind"] for line in lines} - {"alarm", "estimate"} <= {
        "collector-started", "collector-stopped", "register-map-accepted",
    }
    return [line for line in lines if json.loads(line)["kind"] in ("alarm", "estimate")]


@pytest.mark.slow
def test_the_exported_journal_replays_to_the_events_the_daemon_gave(tmp_path: Path) -> None:
    site = asyncio.run(_live(tmp_path, load_scenario("demo")))
    recording = tmp_path / "readings.csv"
    recording.write_text(_quietpipe("export", str(site)))

    replayed = _quietpipe("replay", str(site), str(recording))
    assert replayed == _quietpipe("replay", str(site), str(recording)), "not the same bytes twice"

    live = _told(site)
    assert replayed.splitlines() == live
    conditions = {json.loads(line).get("condition") for line in live}
    assert {"compressor-long-run", "air-fill-stuck"} <= conditions


def _evening() -> Scenario:
    """The demonstration, begun in the evening, so that a midnight falls into it."""
    scenario = load_scenario("demo")
    start = parse_instant("2026-03-02T18:00:00Z")
    return dataclasses.replace(scenario, plant=dataclasses.replace(scenario.plant, start=start))


@pytest.mark.long
@pytest.mark.timeout(900)
def test_a_night_read_on_the_wire_replays_from_both_kinds_of_file_by_columns_and_by_rows(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert recorded.columns_available()
    site = asyncio.run(_live(tmp_path, _evening(), NIGHT))
    live = _told(site)
    told = [json.loads(line) for line in live]
    days = [e for e in told if e["kind"] == "estimate" and e["time"] == "2026-03-03T00:00:00Z"]
    assert any(e["value"] is not None for e in days)
    assert len({e["condition"] for e in told if e["kind"] == "alarm"}) > 2

    for kind in ("csv", "parquet"):
        path = tmp_path / f"readings.{kind}"
        with path.open("wb") as out:
            subprocess.run([sys.executable, "-m", "collector.cli", "export", str(site),
                            "--format", kind], stdout=out, check=True)
        for by_columns in (True, False):
            monkeypatch.setattr(recorded, "columns_available", lambda by=by_columns: by)
            assert main(["replay", str(site), str(path)]) == 0
            assert capsys.readouterr().out.splitlines() == live, (kind, by_columns)
