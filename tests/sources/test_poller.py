"""The poller: on a standing clock with a scripted bus, and on real wires with real time."""

from __future__ import annotations

import asyncio
import random
from collections import defaultdict
from collections.abc import Callable, Sequence

import pytest

from collector.clock import ManualClock, SystemClock
from collector.domain.errors import DeviceSilent
from collector.domain.readings import Quality, Reading
from collector.sources import Address, ContactLeg, DeviceSettings, PointSettings
from collector.sources import poller as poller_module
from collector.sources.bus import Answer
from collector.sources.pdu import ReadRequest
from collector.sources.poller import Poller
from tests.sources import peer as p
from tests.sources.conftest import Serve
from tests.sources.peer import Peer

START = 1_772_323_200_000


class ScriptedBus:
    """Answers every register with its address, unless its unit is dead."""

    made: list[ScriptedBus]

    def __init__(self, address: Address, clock: ManualClock) -> None:
        self.address, self.clock = address, clock
        self.dead: set[int] = set()
        self.asked: dict[int, list[int]] = defaultdict(list)
        self.closed = False
        self.make: Callable[[ReadRequest], tuple[int, ...]] = \
            lambda r: tuple(range(r.address, r.address + r.count))
        ScriptedBus.made.append(self)

    async def read(self, request: ReadRequest, timeout: int) -> Answer:
        now = self.clock.now()
        self.asked[request.unit].append(now)
        if request.unit in self.dead:
            await self.clock.sleep(timeout)
            raise DeviceSilent(f"no reply to {request} within {timeout} ms")
        return Answer(values=self.make(request), asked=now, latency=3)

    async def close(self) -> None:
        self.closed = True


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> ManualClock:
    ScriptedBus.made = []
    monkeypatch.setattr(poller_module, "Bus", ScriptedBus)
    return ManualClock(START)


def device(unit: int = 1, *, every: int = 5000, address: Address | None = None, registers: int = 2,
           **more: object) -> DeviceSettings:
    points = tuple(
        PointSettings(point=f"gen{unit}.q{n}", table="holding-registers", address=n)
        for n in range(registers)
    )
    return DeviceSettings(**{  # type: ignore[arg-type]
        "id": f"d{unit}", "name": f"Device {unit}", "unit": unit, "every": every,
        "address": address or Address(kind="tcp", host="h"), "points": points, **more,
    })


async def pass_time(clock: ManualClock, duration: int, step: int = 50) -> None:
    for _ in range(duration // step):
        clock.advance(step)
        for _ in range(12):
            await asyncio.sleep(0)


class Run:
    """A poller under way, and what it gave."""

    def __init__(self, clock: ManualClock, *devices: DeviceSettings) -> None:
        self.got: list[Reading] = []
        self.poller = Poller(devices, clock=clock, sink=self.got.extend, rng=random.Random(1))

    async def __aenter__(self) -> Run:
        self.task = asyncio.create_task(self.poller.run())
        for _ in range(5):
            await asyncio.sleep(0)
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.poller.stop()
        await self.task

    def of(self, point: str) -> list[Reading]:
        return [r for r in self.got if r.point == point]


async def test_a_steady_grid(clock: ManualClock) -> None:
    async with Run(clock, device(every=5000)) as run:
        await pass_time(clock, 60_000)
        asked = ScriptedBus.made[0].asked[1]
        assert len(asked) == 12
        assert {b - a for a, b in zip(asked, asked[1:], strict=False)} == {5000}
        assert asked[0] % 5000 < 550
        (one,) = run.poller.statistics()
        assert (one.polls, one.answers, one.silent, one.answering) == (12, 12, 0, True)
        assert one.lateness_most is not None
        assert one.lateness_most <= 50, "the step of this test's clock"
    assert all(bus.closed for bus in ScriptedBus.made)


async def test_readings_carry_asked_and_time_in_order(clock: ManualClock) -> None:
    async with Run(clock, device(1), device(2), device(3, every=3000)) as run:
        await pass_time(clock, 30_000)
        times = [r.time for r in run.got]
        assert times == sorted(times)
        assert all(r.asked <= r.time for r in run.got)
        assert {r.value for r in run.of("gen1.q1")} == {1.0}


async def test_a_silent_device_is_asked_ever_more_seldom_but_recorded_every_step(
    clock: ManualClock,
) -> None:
    async with Run(clock, device(1), device(2)) as run:
        (bus,) = ScriptedBus.made
        bus.dead.add(1)
        await pass_time(clock, 600_000, step=250)
        assert len(bus.asked[2]) == 120, "the neighbour keeps its pace"
        assert 10 <= len(bus.asked[1]) <= 30, "12 steps of 5 s at most between attempts"
        stale = run.of("gen1.q0")
        assert len(stale) >= 118
        assert {(r.value, r.quality) for r in stale} == {(None, Quality.STALE)}
        assert all(r.why.startswith("no reply") for r in stale)
        dead, alive = run.poller.statistics()
        assert not dead.answering
        assert dead.silent == dead.polls == len(bus.asked[1])
        assert alive.answering
        bus.dead.clear()
        await pass_time(clock, 65_000, step=250)
        before = len(bus.asked[1])
        await pass_time(clock, 20_000, step=250)
        assert len(bus.asked[1]) - before == 4, "back on every step"
        assert run.of("gen1.q0")[-1].quality is Quality.GOOD
        assert run.poller.statistics()[0].back_off == 0


async def test_the_rest_of_a_silent_device_is_not_paid_for(clock: ManualClock) -> None:
    far = tuple(
        PointSettings(point=f"gen1.q{n}", table="holding-registers", address=n * 100)
        for n in range(5)
    )
    async with Run(clock, device(1, points=far)) as run:
        ScriptedBus.made[0].dead.add(1)
        await pass_time(clock, 3_000)
        assert len(ScriptedBus.made[0].asked[1]) == 1
        assert [r.quality for r in run.got] == [Quality.STALE] * 5


async def test_the_clock_is_set(clock: ManualClock) -> None:
    """Forward or back by hours: the poller goes on within one step, on the new grid."""
    async with Run(clock, device(every=5000)):
        asked = ScriptedBus.made[0].asked[1]
        for jump in (3_600_000, -7_200_000, 1234):
            await pass_time(clock, 10_000)
            clock.jump(jump)
            before = len(asked)
            await pass_time(clock, 20_000)
            assert 3 <= len(asked) - before <= 5
            assert len({a % 5000 // 60 for a in asked[-2:]}) == 1


async def test_a_slow_poll_leaves_steps_out_and_says_so(clock: ManualClock) -> None:
    async with Run(clock, device(every=500, timeout=1700)) as run:
        ScriptedBus.made[0].dead.add(1)
        await pass_time(clock, 2_000)
        assert len(ScriptedBus.made[0].asked[1]) == 1
        await pass_time(clock, 3_000)
        (one,) = run.poller.statistics()
        assert one.skipped >= 3


async def test_a_re_read_site_file(clock: ManualClock) -> None:
    here, there = Address(kind="tcp", host="here"), Address(kind="tcp", host="there")
    async with Run(clock, device(1, address=here), device(2, address=here),
                   device(3, address=there)) as run:
        await pass_time(clock, 10_000)
        first, second = ScriptedBus.made
        await run.poller.replace([
            device(1, address=here), device(2, address=here, registers=3),
            device(4, address=here),
        ])
        assert not first.closed
        assert second.closed
        assert len(ScriptedBus.made) == 2
        polls = {s.device: s.polls for s in run.poller.statistics()}
        assert polls == {"d1": 2, "d2": 0, "d4": 0}, "d1 goes on with its counts"
        run.got.clear()
        await pass_time(clock, 10_000)
        assert {r.point for r in run.got} == {
            "gen1.q0", "gen1.q1", "gen2.q0", "gen2.q1", "gen2.q2", "gen4.q0", "gen4.q1",
        }


async def test_a_mistake_of_ours_ends_the_run(clock: ManualClock) -> None:
    def broken(_: Sequence[Reading]) -> None:
        raise ZeroDivisionError("a mistake")
    poller = Poller([device()], clock=clock, sink=broken, rng=random.Random(1))
    task = asyncio.create_task(poller.run())
    await pass_time(clock, 6_000)
    with pytest.raises(ZeroDivisionError):
        await task


async def test_two_devices_of_one_name(clock: ManualClock) -> None:
    with pytest.raises(ValueError, match="two devices"):
        Poller([device(), device()], clock=clock, sink=lambda _: None, rng=random.Random(1))


# -- on real wires ---------------------------------------------------------------------------------

PROFILE = (
    PointSettings(point="gen1.tank_pressure", table="input-registers", address=0, type="int16",
                  scale=0.1, invalid=(32767.0,), low=-5.0, high=200.0),
    PointSettings(point="gen1.product_oxygen", table="input-registers", address=3, scale=0.01),
    PointSettings(point="gen1.mode", table="holding-registers", address=10,
                  values={"0": 0.0, "1": 1.0, "2": 2.0}),
    PointSettings(point="gen1.running_hours", table="holding-registers", address=12,
                  type="float32", word_order="low-first"),
    PointSettings(point="gen1.trouble",
                  normally_open=ContactLeg(table="discrete-inputs", address=0),
                  normally_closed=ContactLeg(table="discrete-inputs", address=1)),
)


def plant() -> Peer:
    peer = Peer()
    unit = peer.units[1]
    unit.registers.update({0: 652, 1: 0, 2: 0, 3: 174})
    unit.holding.update({10: 1, 12: 0x0FDB, 13: 0x4049})  # 11 is missing: a gap that is refused
    unit.inputs.update({0: 0, 1: 1})
    return peer


async def test_once_over_every_wire(serve: Serve) -> None:
    peer = plant()
    async with serve(peer) as address:
        poller = Poller([device(1, address=address, points=PROFILE)], clock=SystemClock(),
                        sink=lambda _: pytest.fail("asked once: not for the sink"),
                        rng=random.Random(1))
        got = {r.point: (r.value, r.quality) for r in await poller.ask_once("d1")}
        good = Quality.GOOD
        assert got.pop("gen1.running_hours")[0] == pytest.approx(3.14159274)
        assert got == {
            "gen1.tank_pressure": (65.2, good), "gen1.product_oxygen": (1.74, good),
            "gen1.mode": (1.0, good), "gen1.trouble": (0.0, good),
            "gen1.trouble_no": (0.0, good), "gen1.trouble_nc": (1.0, good),
        }
        learned = len(peer.asked)
        assert learned == 5, "three tables, and one request cut in two around the gap"
        await poller.ask_once("d1")
        assert len(peer.asked) - learned == 4
        with pytest.raises(KeyError):
            await poller.ask_once("d9")
        await poller.stop()


@pytest.mark.parametrize("twist", [p.fewer_registers, p.other_unit, p.other_function, p.silent,
                                   p.busy, p.late(0.1)],
                         ids=["fewer", "unit", "function", "silent", "busy", "late"])
async def test_no_value_from_a_device_that_misbehaves(serve: Serve, twist: p.Twist) -> None:
    peer = plant()
    async with serve(peer) as address:
        poller = Poller([device(1, address=address, points=PROFILE, timeout=40)],
                        clock=SystemClock(), sink=lambda _: None, rng=random.Random(1))
        peer.always = twist
        for _ in range(2):
            got = await poller.ask_once("d1")
            assert [r.point for r in got if r.value is not None] == []
            assert {r.quality for r in got} <= {Quality.BAD, Quality.STALE}
            assert all(r.why for r in got)
            assert len(got) == 7
        await poller.stop()


async def test_one_dead_unit_on_a_real_line(serve: Serve) -> None:
    """Unit 9 never answers; unit 1 on the same line keeps its grid."""
    peer = plant()
    async with serve(peer) as address:
        got: list[Reading] = []
        poller = Poller(
            [device(1, address=address, points=PROFILE[:1], every=100),
             device(9, address=address, every=100, timeout=60)],
            clock=SystemClock(), sink=got.extend, rng=random.Random(1),
        )
        task = asyncio.create_task(poller.run())
        await asyncio.sleep(2.0)
        alive, dead = poller.statistics()
        await poller.stop()
        await task
        assert alive.answers >= 14
        assert dead.polls <= 8
        assert dead.answers == 0
        times = [r.time for r in got]
        assert times == sorted(times)
        stale = [r for r in got if r.point == "gen9.q0"]
        assert len(stale) >= 16
        assert {r.quality for r in stale} == {Quality.STALE}


async def test_a_request_that_is_never_answered_does_not_hide_the_others() -> None:
    """Some devices fall silent at an address they do not have, where others refuse it."""
    peer = plant()
    peer.always = lambda _peer, unit, pdu, right: (
        [] if pdu[0] == 4 else [(0.0, unit, right)]
    )
    async with peer.tcp() as port:
        poller = Poller(
            [device(1, address=Address(kind="tcp", host="127.0.0.1", port=port), points=PROFILE,
                    timeout=50)],
            clock=SystemClock(), sink=lambda _: None, rng=random.Random(1),
        )
        for _ in range(3):
            got = {r.point: r.quality for r in await poller.ask_once("d1")}
        await poller.stop()
        assert got["gen1.mode"] is Quality.GOOD
        assert got["gen1.trouble"] is Quality.GOOD
        assert got["gen1.tank_pressure"] is Quality.STALE
