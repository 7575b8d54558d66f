"""The cases of ``wrong_maps`` without a wire: the same doubts, in the time that they compute in.

``python -m tests.commissioning.still_maps 100 140`` prints a table for the controllers of seeds
100 to 139.
"""

from __future__ import annotations

import asyncio
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from collector.app.first_readings import FOUND_IMPLAUSIBLE, FirstReadings
from collector.commissioning.first_look import look_at
from collector.config import SiteConfig, load_site
from collector.domain.errors import DeviceRefused, DeviceSilent
from collector.domain.events import SystemEvent
from collector.domain.readings import Quality, Reading
from collector.domain.units import MINUTE
from collector.sources.bus import Answer
from collector.sources.device import ModbusDevice
from collector.sources.pdu import ReadRequest
from collector.sources.read_plan import Raw, Span
from tests.commissioning.wrong_maps import Case, cases, right_cases, site_of

__all__ = ["Outcome", "outcome"]

RUN_FOR = 60 * MINUTE
T0 = 1_772_409_600_000


class StillClock:
    """A clock that a sleep moves."""

    def __init__(self) -> None:
        self.at = T0

    def now(self) -> int:
        return self.at

    def monotonic(self) -> int:
        return self.at

    async def sleep(self, duration: float) -> None:
        self.at += round(duration)


class ImagePoller:
    """Gives a case's device as a poller does, straight from the controllers' registers."""

    def __init__(self, case: Case, config: SiteConfig, clock: StillClock) -> None:
        self._case, self._clock = case, clock
        self.settings = config.devices[0]
        self.device = ModbusDevice(self.settings, self, clock)  # type: ignore[arg-type]

    async def read(self, request: ReadRequest, timeout: int) -> Answer:
        """Answer as the unit on the line would; its manners are another test's."""
        on_line = [self._case.controller, *self._case.others]
        unit = next((c for c in on_line if c.unit == request.unit), None)
        if unit is None:
            raise DeviceSilent(f"no reply to {request}")
        image = unit.image(self._case.start + (self._clock.at - T0) / 1000)
        cells = image.get(request.table, {})
        wanted = range(request.address, request.address + request.count)
        if not cells or any(a not in cells for a in wanted):
            raise DeviceRefused(f"refuses {request}", code=2 if cells else 1)
        return Answer(values=tuple(cells[a] for a in wanted), asked=self._clock.at, latency=1)

    async def ask(self, device: str, request: ReadRequest) -> Answer:
        return await self.read(request, 1000)

    async def ask_once(self, device: str) -> list[Reading]:
        readings: list[Reading] = []
        await self.device.poll(readings.extend)
        return readings

    def words(self, device: str) -> dict[Span, Raw]:
        return self.device.raws


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """The doubts of one look, and of the daemon's first hour."""

    case: Case
    looked: Sequence[str]
    ran: Sequence[str]
    hidden: frozenset[str]
    """Points that had a good value on the wire and lost it to a doubt during the hour."""

    def __str__(self) -> str:
        words = ["doubted" if x else "not doubted" for x in (self.looked, self.ran)]
        return f"{self.case.name:<52} {self.case.wrong:<40} {words[0]:<12} {words[1]}"


async def outcome(case: Case) -> Outcome:
    """Look once as ``check`` does, then run the daemon's gate for an hour of the plant's time."""
    with tempfile.TemporaryDirectory() as name:
        config = load_site(site_of(case, "tcp://127.0.0.1:1", Path(name)))
    clock = StillClock()
    poller = ImagePoller(case, config, clock)
    look = await look_at(poller, poller.settings, config.plant, clock,  # type: ignore[arg-type]
                         pause=3000)
    bad = [f"{r.point} bad: {r.why}" for r in look.readings if r.quality is Quality.BAD]
    events: list[SystemEvent] = []
    passed: list[Reading] = []
    gate = FirstReadings(site="s", sink=passed.extend, record_event=events.append, accepted={})
    gate.use(config.plant, config.devices)
    end = clock.at + RUN_FOR
    while clock.at < end:
        await poller.device.poll(gate.put)
        await gate.turn(poller, clock)  # type: ignore[arg-type]
        await clock.sleep(10_000)
    return Outcome(
        case=case, looked=[*bad, *(f"{d.point} suspect: {d.text}" for d in look.doubts)],
        ran=[e.text for e in events if e.fact == FOUND_IMPLAUSIBLE],
        hidden=frozenset(r.point for r in passed if r.why.startswith("suspect: ")))


async def _table(first: int, end: int) -> None:
    found = []
    for case in (*right_cases(range(first, end)), *cases(range(first, end))):
        result = await outcome(case)
        found.append(result)
        if not case.wrong or not result.looked or not result.ran:
            print(result)
            if not case.wrong and (result.looked or result.ran):
                print("   ", *result.looked[:1], *result.ran[:1])
    for title, some in (("right", [r for r in found if not r.case.wrong]),
                        ("wrong", [r for r in found if r.case.wrong])):
        print(f"{title} maps: {len(some)}; doubted by check {sum(bool(r.looked) for r in some)}, "
              f"by the daemon in an hour {sum(bool(r.ran) for r in some)}")


if __name__ == "__main__":
    asyncio.run(_table(*(int(a) for a in sys.argv[1:3])))
