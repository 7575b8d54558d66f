"""A controller that refuses every address while it starts: it is asked again."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Sequence

import pytest

from collector.clock import SystemClock
from collector.domain.readings import Reading
from collector.sources import DeviceSettings, PointSettings
from collector.sources.poller import Poller
from tests.sources.conftest import serve_on
from tests.sources.peer import Peer


@pytest.mark.parametrize("kind", ["tcp", "rtu", "rtu+tcp"])
async def test_it_is_read_as_soon_as_it_answers(kind: str) -> None:
    peer = Peer()
    unit = peer.units[1]  # no address is there yet: exception 2
    refused = asyncio.Event()
    got: list[Reading] = []
    good = asyncio.Event()

    def sink(readings: Sequence[Reading]) -> None:
        got.extend(readings)
        if len(peer.asked) >= 9:
            refused.set()
        if len({r.point for r in got if r.value is not None}) == 3:
            good.set()

    async with serve_on(kind)(peer) as address:
        settings = DeviceSettings(
            id="d1", name="d1", address=address, unit=1, every=200, timeout=500,
            points=tuple(PointSettings(point=f"gen1.{name}", table="input-registers", address=a)
                         for name, a in (("tank_pressure", 0), ("product_oxygen", 1),
                                         ("running_hours", 9))))
        poller = Poller([settings], clock=SystemClock(), sink=sink, rng=random.Random(1))
        polling = asyncio.create_task(poller.run())
        try:
            await asyncio.wait_for(refused.wait(), 20)
            assert all(r.value is None for r in got)
            unit.registers.update({0: 652, 1: 17, 9: 1200})
            await asyncio.wait_for(good.wait(), 20)
        finally:
            await poller.stop()
            await polling
    assert {r.point: r.value for r in got if r.value is not None} == {
        "gen1.tank_pressure": 652.0, "gen1.product_oxygen": 17.0, "gen1.running_hours": 1200.0}
