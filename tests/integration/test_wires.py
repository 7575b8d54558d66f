"""The same plant over TCP, RTU on a pseudo-terminal and RTU over TCP: three journals that agree."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Sequence
from pathlib import Path

import simulators
from collector.clock import ManualClock, parse_instant
from collector.daemon import Daemon
from collector.domain.events import AlarmTransition, event_to_json
from collector.domain.readings import Quality
from collector.journal import Journal
from simulators.serving import write_profiles
from simulators.testing import PlantServer
from tests.wire import pty_tap, tcp_tap

START = parse_instant("2026-01-12T00:00:00Z")
LINES = ("tcp", "rtu", "rtu+tcp")
STEPS = 60

SERVE = "".join(f"""
[[serve]]
id = "{kind}-1"
kind = "{kind}"

[[serve.units]]
device = "controller-{kind.replace('+', '-')}"
unit = 1
registers = "generator-a"
watches = ["gen1", "r1"]
""" for kind in LINES)

SITE = """
[site]
id = "depot"
name = "Larkhill depot"
timezone = "Europe/London"
data = "data-{name}"

[board]
listen = "127.0.0.1:0"

[[generators]]
id = "gen1"
tank_volume = "60 gal"
cut_in = "60 psi"
cut_out = "80 psi"
air_fill_below = "55 psi"

[[risers]]
id = "r1"
fed_by = "gen1"
volume = "450 gal"
supervisory_pressure = "25 psi"
low_pressure = "18 psi"
high_pressure = "40 psi"

[conditions.pressure-low]
on_delay = "5 s"

[[devices]]
id = "controller"
address = "{address}"
unit = 1
profile = "generator-a.toml"
every = "5 s"
watches = ["gen1", "r1"]
"""


def _scenario(folder: Path) -> Path:
    text = (Path(simulators.__file__).parent / "scenarios" / "quiet-depot.toml").read_text()
    plant = text.split("[[serve]]")[0].replace('site = "quiet-depot.site.toml"\n', "")
    path = folder / "three-wires.toml"
    path.write_text(plant + SERVE)
    return path


async def _settled(daemons: Sequence[Daemon], now: int) -> None:
    """Let real time pass until each daemon has the answers of this instant, all of one poll."""
    for _ in range(300):
        await asyncio.sleep(0.01)
        if all(d.statistics().devices[0].last_answer == now for d in daemons):
            # The first answer of the poll is in; the last request takes some milliseconds more.
            await asyncio.sleep(0.05)
            return
    raise AssertionError(f"no answers at {now}: {[d.statistics().devices for d in daemons]}")


async def test_three_wires_give_three_journals_that_agree(tmp_path):
    clock = ManualClock(START)
    async with PlantServer(_scenario(tmp_path), clock=clock, play=False) as plant:
        tcp = re.search(r":(\d+)$", plant.addresses["tcp-1"])[1]
        rtu_tcp = re.search(r":(\d+)$", plant.addresses["rtu+tcp-1"])[1]
        rtu = re.search(r"^rtu:([^?]+)", plant.addresses["rtu-1"])[1]
        async with tcp_tap("127.0.0.1", int(tcp)) as one, pty_tap(rtu) as two, \
                tcp_tap("127.0.0.1", int(rtu_tcp), rtu=True) as three:
            await _watch_all(tmp_path, clock, plant, {
                "tcp": f"tcp://127.0.0.1:{one}", "rtu": f"rtu:{two}?baud=115200&parity=none",
                "rtu+tcp": f"rtu+tcp://127.0.0.1:{three}",
            })
    _assert_alike(tmp_path)


async def _watch_all(
    folder: Path, clock: ManualClock, plant: PlantServer, addresses: dict[str, str],
) -> None:
    daemons, running, ready = [], [], []
    write_profiles(folder)
    for kind, address in addresses.items():
        site = folder / f"{kind}.toml"
        site.write_text(SITE.format(name=kind, address=address))
        daemons.append(Daemon(site, clock=clock))
        ready.append(asyncio.Event())
        running.append(asyncio.create_task(daemons[-1].run(on_ready=ready[-1].set)))
    await asyncio.gather(*(event.wait() for event in ready))
    for step in range(STEPS):
        if step == 20:
            plant.fault("riser-trip", riser="r1")
        clock.advance(5_000)
        await _settled(daemons, clock.now())
    for daemon in daemons:
        daemon.stop()
    for _ in range(100):
        clock.advance(100)
        await asyncio.sleep(0.01)
        if all(task.done() for task in running):
            break
    await asyncio.gather(*running)


def _assert_alike(folder: Path) -> None:
    readings, alarms = [], []
    for kind in LINES:
        with Journal.open(folder / f"data-{kind}" / "journal.sqlite") as journal:
            found = list(journal.readings(None, None, None))
            readings.append({(r.point, r.time, r.value, r.quality) for r in found})
            alarms.append([event_to_json(s.event) for s in journal.events()
                           if isinstance(s.event, AlarmTransition)])
            assert sum(r.quality is Quality.GOOD for r in found) > STEPS * 10
    assert readings[0] == readings[1] == readings[2]
    assert alarms[0] == alarms[1] == alarms[2]
    assert any('"condition":"pressure-low"' in line for line in alarms[0])
