"""From the first step to a signed record: the bundled plant on real Modbus TCP, with the watch and
the command as processes of their own, both of them killed on the way.
"""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import sys
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

import pytest

from collector.acceptance import Result
from collector.app.wiring import record_store
from collector.clock import ScaledClock
from collector.domain.events import SystemEvent
from collector.journal import Journal
from simulators.scenario import load_scenario
from simulators.testing import PlantServer

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
SPEED = 240.0

pytestmark = [pytest.mark.long, pytest.mark.timeout(900)]


class Works:
    """The plant, the watch over it, and the hands of a technician."""

    def __init__(self, plant: PlantServer, clock: ScaledClock, started: int, site: Path) -> None:
        self.plant, self.clock, self._started, self.site = plant, clock, started, site
        self.data = site.parent / "var" / "new-works"
        self.watch: asyncio.subprocess.Process

    async def start_watch(self) -> None:
        with (self.site.parent / "watch.log").open("ab") as log:
            self.watch = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "tests.acceptance.monitor_process", str(self.site),
                str(self.clock.origin), str(SPEED), str(self._started), cwd=ROOT,
                stdout=asyncio.subprocess.PIPE, stderr=log)
        assert self.watch.stdout is not None
        assert await asyncio.wait_for(self.watch.stdout.readline(), 90) == b"ready\n"

    async def kill_watch(self) -> None:
        self.watch.kill()
        await self.watch.wait()

    async def begin(self, *options: str) -> asyncio.subprocess.Process:
        return await asyncio.create_subprocess_exec(
            sys.executable, "-m", "collector.cli", "acceptance", str(self.site),
            "--by", "Ines Okoro", *options, cwd=ROOT,
            stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE)

    async def begun(self, step_id: str) -> None:
        """Wait until the record says that the step runs: a busy machine starts slowly."""
        store = record_store(self.data)
        await self.until(lambda: any(r.entry(step_id).result is Result.RUNNING
                                     for r in store.load_all()))
        await asyncio.sleep(0.5)  # a few polls, so that the beginning itself was seen

    async def call(self, *options: str) -> tuple[int, str, str]:
        return await finished(await self.begin(*options))

    async def until(self, what: Callable[[], bool], seconds: float = 60) -> None:
        end = time.monotonic() + seconds
        while not what():
            assert time.monotonic() < end, "the plant did not get there"
            self.plant.catch_up()
            await asyncio.sleep(0.01)

    def psi(self, point: str) -> float:
        value = self.plant.read(point)
        assert isinstance(value, float)
        return value


async def finished(process: asyncio.subprocess.Process) -> tuple[int, str, str]:
    out, err = await asyncio.wait_for(process.communicate(), 300)
    assert process.returncode is not None
    return process.returncode, out.decode(), err.decode()


@contextlib.asynccontextmanager
async def a_works(folder: Path) -> AsyncIterator[Works]:
    scenario = load_scenario(HERE / "new-works.toml")
    # A year back would do as well; the story begins where the scenario says.
    started = time.time_ns() // 1_000_000
    clock = ScaledClock(origin=scenario.plant.start, speed=SPEED, started=started)
    async with PlantServer(dataclasses.replace(scenario), clock=clock) as plant:
        plant.fault("supply-shut", riser="r1")
        plant.fault("vent-stuck-closed", vent="r1-vent")
        works = Works(plant, clock, started, plant.write_site(folder))
        await works.start_watch()
        try:
            yield works
        finally:
            with contextlib.suppress(ProcessLookupError):
                works.watch.terminate()
            await works.watch.wait()


async def bleed(works: Works, psi: float, flow: str) -> None:
    works.plant.fault("tank-leak", generator="gen1", flow=flow)
    await works.until(lambda: works.psi("gen1.tank_pressure") <= psi)
    works.plant.fault("tank-leak", on=False, generator="gen1")


async def step(works: Works, step_id: str, hands: Callable[[], Awaitable[None]]) -> str:
    """Begin a step, do what it asks, and return what it came to."""
    walking = await works.begin("--step", step_id)
    await works.begun(step_id)
    await hands()
    status, out, err = await finished(walking)
    assert status == 0, (out, err)
    result, name, text = out.strip().split("\t")
    assert (result, name) == ("pass", step_id), (out, err)
    return text


async def on_air(works: Works) -> None:
    works.plant.fault("no-start", generator="gen1")
    await bleed(works, 1.0, "60 scfm")
    await asyncio.sleep(0.5)
    works.plant.fault("stuck-air-fill", generator="gen1")
    works.plant.fault("no-start", on=False, generator="gen1")
    await works.until(lambda: works.psi("gen1.tank_pressure") >= 79.5)
    works.plant.fault("stuck-air-fill", on=False, generator="gen1")


async def on_nitrogen(works: Works) -> None:
    works.plant.fault("tank-leak", generator="gen1", flow="3 scfm")
    await works.until(lambda: works.plant.read("gen1.compressor_running") == 1.0)
    works.plant.fault("tank-leak", on=False, generator="gen1")


async def making(works: Works) -> None:
    works.plant.fault("tank-leak", generator="gen1", flow="3.6 scfm")
    await asyncio.sleep(5)
    works.plant.fault("tank-leak", on=False, generator="gen1")


async def into_air_fill(works: Works) -> None:
    await bleed(works, 52.0, "60 scfm")


async def nothing() -> None:
    return


async def generator_steps(works: Works) -> None:
    assert "psi" in await step(works, "tank-air.gen1", lambda: on_air(works))
    # The command is killed while it times; the step goes on without it and is taken up again.
    walking = await works.begin("--step", "tank-nitrogen.gen1")
    await works.begun("tank-nitrogen.gen1")
    await on_nitrogen(works)
    walking.kill()
    await walking.wait()
    status, out, err = await works.call("--resume", "--step", "tank-nitrogen.gen1")
    assert status == 0, (out, err)
    assert out.startswith("pass\ttank-nitrogen.gen1"), (out, err)
    await step(works, "purity.gen1", lambda: making(works))
    await step(works, "return-to-nitrogen.gen1", lambda: into_air_fill(works))


async def riser_steps(works: Works) -> None:
    async def open_supply() -> None:
        works.plant.fault("supply-shut", on=False, riser="r1")

    await step(works, "fill.r1", open_supply)
    works.plant.fault("supply-shut", riser="r1")
    walking = await works.begin("--step", "tightness-2h.r1")
    await works.begun("tightness-2h.r1")
    await asyncio.sleep(10)
    walking.kill()
    await works.kill_watch()
    await walking.wait()
    await works.start_watch()
    status, out, err = await works.call("--resume", "--step", "tightness-2h.r1")
    assert status == 0, (out, err)
    assert "of the beginning" in out

    async def let_down() -> None:
        works.plant.fault("leak-step", riser="r1", flow="0.8 scfm")
        await works.until(lambda: works.plant.read("r1.low_air") == 1.0)
        await asyncio.sleep(0.5)
        works.plant.fault("leak-step", on=False, riser="r1")

    await step(works, "low-air.r1", let_down)
    works.plant.fault("supply-shut", on=False, riser="r1")


async def last_steps(works: Works) -> None:
    async def trouble() -> None:
        works.plant.fault("generator-trouble", generator="gen1")
        await asyncio.sleep(1.5)
        works.plant.fault("generator-trouble", on=False, generator="gen1")

    async def open_vent() -> None:
        works.plant.fault("vent-stuck-closed", on=False, vent="r1-vent")

    await step(works, "contact.gen1.trouble", trouble)
    await step(works, "purge-start.r1-vent", open_vent)
    await step(works, "purge-finish.r1-vent", nothing)


async def test_an_acceptance_from_its_first_step_to_a_verified_record(tmp_path: Path) -> None:
    async with a_works(tmp_path) as works:
        await asyncio.sleep(1)
        status, _, err = await works.call("--sign", "Ines Okoro, technician")
        assert status == 2
        assert "nothing to sign" in err
        await generator_steps(works)
        await riser_steps(works)
        await last_steps(works)
        status, _, err = await works.call("--sign", "Ines Okoro, technician")
        assert status == 1
        assert "tightness-24h.r1" in err
        await works.call("--step", "tightness-24h.r1", "--leave-out", "pipe in service, 2 h form")
        status, out, err = await works.call(
            "--sign", "Ines Okoro, technician", "--sign", "B. Lee, owner's representative")
        assert status == 0, err
        assert "can be verified" in err
        await look_at(works, Path(out.strip()))


async def look_at(works: Works, record: Path) -> None:
    content = await asyncio.to_thread(record.read_bytes)
    status, out, _ = await works.call("--verify", str(record))
    assert status == 0
    assert "genuine" in out
    assert "B. Lee" in out
    changed = record.with_name("changed.pdf")
    for place in (0, len(content) // 3, len(content) // 2, len(content) - 1):
        other = bytearray(content)
        other[place] ^= 1
        await asyncio.to_thread(changed.write_bytes, other)
        status, out, _ = await works.call("--verify", str(changed))
        assert (status, "NOT GENUINE" in out) == (1, True), place
    with Journal.open(works.data / "journal.sqlite", read_only=True) as journal:
        facts = [s.event for s in journal.events() if isinstance(s.event, SystemEvent)]
    by_kind = {f.fact for f in facts}
    assert {"acceptance-opened", "acceptance-step-begun", "acceptance-step-settled",
            "acceptance-signed", "baseline-accepted", "fill-declared", "fill-ended",
            "impairment-declared", "impairment-ended"} <= by_kind
    bases = {str(f.values["quantity"]): f.values for f in facts if f.fact == "baseline-accepted"}
    assert {"pump-up-time", "compressor-delivery", "nitrogen-demand"} <= set(bases)
    assert "B. Lee" in str(bases["pump-up-time"]["by"])
