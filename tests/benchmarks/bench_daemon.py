"""A poll of 40 points all the way to the disk, and the memory of the daemon with one site.

``python -m tests.benchmarks.bench_daemon`` measures, in one run: a bare pymodbus loop; our polls
through rules and journal to the disk (commits as the daemon makes them); and the daemon as a
process, which asks the same 40 registers ten times a second: its CPU time for each poll, the memory
it holds, the most it ever held.
"""

from __future__ import annotations

import asyncio
import random
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

from collector.app.monitor import SiteMonitor
from collector.app.pipeline import Pipeline
from collector.clock import SystemClock
from collector.config import default_settings
from collector.domain.conditions import ConditionSettings
from collector.domain.live import LivePicture
from collector.domain.plant import Device, Generator, Plant, Riser, Room, Site, Vent
from collector.domain.readings import QUANTITIES, Reading
from collector.journal import Journal
from collector.sources import Address, DeviceSettings, PointSettings
from collector.sources.poller import Poller
from tests.benchmarks.bench_poll import POINTS, Figure, bare, serve_in_process, timed
from tests.integration.support import DaemonProcess

SECONDS = 20


def _names() -> list[str]:
    """Forty points of one plant, none of them a contact."""
    things = [(f"gen{n}", "generator") for n in range(1, 6)]
    things += [(f"r{n}", "riser") for n in range(1, 4)] + [("vent", "vent"), ("room", "room")]
    names = [
        f"{thing}.{quantity}" for thing, kind in things
        for quantity, what in QUANTITIES[kind].items() if what.unit not in ("contact", "mode")
    ]
    assert len(names) >= POINTS
    return names[:POINTS]


def _plant(names: Sequence[str]) -> Plant:
    return Plant(
        site=Site(id="bench", name="Bench", timezone="UTC"),
        generators={f"gen{n}": Generator(id=f"gen{n}", name=f"Generator {n}", cut_in=60.0,
                                         cut_out=80.0) for n in range(1, 6)},
        risers={f"r{n}": Riser(id=f"r{n}", name=f"Riser {n}", fed_by="gen1", low_pressure=18.0)
                for n in range(1, 4)},
        vents={"vent": Vent(id="vent", name="Vent", riser="r1", target_oxygen=2.0)},
        rooms={"room": Room(id="room", name="Room")},
        devices={"bench": Device(id="bench", name="bench", every=100, points=tuple(names))},
    )


def _device(port: int, names: Sequence[str]) -> DeviceSettings:
    points = tuple(
        PointSettings(point=name, table="input-registers", address=n, type="int16", scale=0.1)
        for n, name in enumerate(names)
    )
    return DeviceSettings(id="bench", name="bench", unit=1, every=100, points=points,
                          address=Address(kind="tcp", host="127.0.0.1", port=port))


async def to_disk(port: int, seconds: float, folder: Path) -> Figure:
    """Poll as fast as polls can follow each other, judged and committed once a second."""
    names = _names()
    plant, clock = _plant(names), SystemClock()
    with Journal.open(folder / "journal.sqlite") as journal:
        pipeline = Pipeline(
            site="bench", store=journal, picture=LivePicture(),
            monitor=SiteMonitor(plant=plant,
                                settings=ConditionSettings(defaults=default_settings())),
            clock=clock, committed=lambda _r, _e: None,
        )
        poller = Poller([_device(port, names)], clock=clock, sink=lambda _: None,
                        rng=random.Random(1))
        running = asyncio.create_task(pipeline.run())
        asked: set[int] = set()

        async def poll() -> None:
            readings: list[Reading] = await poller.ask_once("bench")
            pipeline.put(readings)
            # Two polls within a millisecond that say the same are one reading to the journal.
            asked.add(readings[0].time)

        try:
            figure = await timed(poll, seconds)
        finally:
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)
            await pipeline.finish()
            await poller.stop()
        kept = sum(1 for _ in journal.readings(None, None, None))
        assert kept >= len(asked) * POINTS, "not everything reached the disk"
    return figure


def _site(folder: Path, port: int) -> Path:
    names = _names()
    lines = ['[profile]\nname = "Bench"\nword_order = "high-first"\nbyte_order = "high-first"\n']
    nth: dict[str, int] = {}
    for n, name in enumerate(names):
        thing, quantity = name.split(".")
        kind = next(k for k, p in (("generator", "gen"), ("riser", "r"), ("vent", "vent"),
                                   ("room", "room"))
                    if thing.rstrip("0123456789") == p)
        nth[f"{kind}.{quantity}"] = nth.get(f"{kind}.{quantity}", 0) + 1
        lines.append(f'[[points]]\nquantity = "{quantity}"\nkind = "{kind}"\n'
                     f'nth = {nth[f"{kind}.{quantity}"]}\ntable = "input-registers"\n'
                     f'address = {n}\ntype = "int16"\nscale = 0.1\n'
                     f'unit = "{QUANTITIES[kind][quantity].unit}"\n')
    (folder / "bench.toml").write_text("\n".join(lines).replace('unit = "count"\n', ""))
    things = [f'[[generators]]\nid = "gen{n}"\n' for n in range(1, 6)]
    things += [f'[[risers]]\nid = "r{n}"\nfed_by = "gen1"\nlow_pressure = "18 psi"\n'
               for n in range(1, 4)]
    things += ['[[vents]]\nid = "vent"\nriser = "r1"\ntarget_oxygen = "2 %"\n',
               '[[rooms]]\nid = "room"\n']
    watched = ", ".join(f'"{w}"' for w in dict.fromkeys(n.split(".")[0] for n in names))
    site = folder / "site.toml"
    site.write_text(
        '[site]\nid = "bench"\nname = "Bench"\ntimezone = "UTC"\ndata = "data"\n'
        '[board]\nlisten = "127.0.0.1:0"\n' + "\n".join(things)
        + f'[[devices]]\nid = "bench"\naddress = "tcp://127.0.0.1:{port}"\nunit = 1\n'
          f'profile = "bench.toml"\nevery = "100 ms"\nwatches = [{watched}]\n'
    )
    return site


def _status(pid: int, key: str) -> int:
    """Return a figure of /proc/<pid>/status in kB."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith(key):
            return int(line.split()[1])
    raise KeyError(key)


def _cpu_seconds(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / 100


def daemon_process(port: int, folder: Path) -> tuple[float, float, float]:
    """Return CPU microseconds for each poll, MB held and the most MB ever held."""
    daemon = DaemonProcess(_site(folder, port))
    try:
        time.sleep(5)
        assert daemon.process.poll() is None, daemon.tail()
        pid = daemon.process.pid
        before = _cpu_seconds(pid)
        time.sleep(SECONDS)
        cpu = (_cpu_seconds(pid) - before) / (SECONDS * 10) * 1e6
        held, most = _status(pid, "VmRSS") / 1024, _status(pid, "VmHWM") / 1024
        daemon.terminate()
    finally:
        daemon.kill()
    with Journal.open(folder / "data" / "journal.sqlite") as journal:
        kept = sum(1 for _ in journal.readings(None, None, None))
    assert kept > SECONDS * 10 * POINTS * 0.8, f"only {kept} readings kept; {daemon.tail()}"
    return cpu, held, most


def main() -> None:
    """Print the figures and their ratio to the baseline."""
    with serve_in_process() as port, tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        base = asyncio.run(bare(port, 2.0))
        disk = asyncio.run(to_disk(port, 5.0, folder))
        cpu, held, most = daemon_process(port, folder)
    print(f"{POINTS} registers, one request        polls/s   ratio   CPU us/poll   ratio")
    for what, figure in (("bare pymodbus loop", base), ("through rules to the disk", disk)):
        print(f"{what:34}{figure.polls:8.0f}{figure.polls / base.polls:8.2f}"
              f"{figure.cpu:14.0f}{figure.cpu / base.cpu:8.2f}")
    print(f"{'daemon, ten polls a second':34}{10:8.0f}{'':8}{cpu:14.0f}{cpu / base.cpu:8.2f}")
    print(f"memory of the daemon: {held:.0f} MB held, {most:.0f} MB at most")


if __name__ == "__main__":
    main()
