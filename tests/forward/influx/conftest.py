"""A plant, its journal, far ends, and a forwarder between them on a clock that tests move."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from collector.clock import ManualClock
from collector.domain.events import SystemEvent
from collector.domain.plant import Generator, Plant, Riser, Room, Site, Vent
from collector.domain.readings import Quality, Reading
from collector.forward import InfluxSettings, RetryPolicy
from collector.forward.influx.endpoints import DeadLetterFile
from collector.forward.influx.forwarder import InfluxForwarder
from collector.journal import Journal
from tests.forward.influx.peers import Influxd, StrictServer, VictoriaMetrics

T0 = 1_772_323_200_000  # 2026-03-01T00:00:00Z
SECOND, MINUTE, HOUR = 1000, 60_000, 3_600_000

PLANT = Plant(
    site=Site(id="fenmoor", name="Fenmoor Cold Store", timezone="Europe/London"),
    generators={"gen1": Generator(id="gen1", name="Generator")},
    risers={"r1": Riser(id="r1", name="Dock riser", fed_by="gen1")},
    vents={"r1-vent": Vent(id="r1-vent", name="Dock vent", riser="r1")},
    rooms={"plant-room": Room(id="plant-room", name="Plant room")},
)


def reading(point: str, time: int, value: float | None = 1.0, **more: object) -> Reading:
    return replace(Reading(point=point, asked=time - 20, time=time, value=value), **more)


def poll(time: int) -> list[Reading]:
    """What a small plant tells at once; every hundredth minute the vent does not answer."""
    silent = time // MINUTE % 100 == 0
    step = time // SECOND % 1000
    return [
        reading("gen1.tank_pressure", time, 60 + step % 200 / 10),
        reading("gen1.compressor_running", time, float(step % 7 < 3)),
        reading("gen1.mode", time, 1.0),
        reading("r1.pressure", time, 25 + step % 13 / 10),
        reading("r1-vent.oxygen", time, None if silent else 3.1,
                quality=Quality.STALE if silent else Quality.GOOD,
                why="no answer in time" if silent else ""),
        reading("plant-room.oxygen", time, 20.9),
    ]


class Bench:
    """A forwarder at work. Its clock only moves in :meth:`until`."""

    def __init__(
        self, folder: Path, settings: InfluxSettings | None, *, retry: RetryPolicy | None = None,
    ) -> None:
        self.folder, self.settings = folder, settings
        self.clock = ManualClock(T0)
        self.journal = Journal.open(folder / "journal.sqlite")
        self.facts: list[SystemEvent] = []
        self.aside = DeadLetterFile(folder / "aside.jsonl")
        self._patience = retry or RetryPolicy()
        self.started: list[asyncio.Task[None]] = []
        self.new()

    def new(self) -> InfluxForwarder:
        """A forwarder as a new process would have it."""
        self.forwarder = InfluxForwarder(
            settings=self.settings, store=self.journal, plant=PLANT, clock=self.clock,
            pace=self.clock, record_event=self.facts.append, dead_letters=self.aside,
            retry=self._patience,
        )
        return self.forwarder

    def start(self) -> None:
        self.started.append(asyncio.create_task(self.forwarder.run()))

    async def until(self, done: Callable[[], bool], *, most: int = 4 * HOUR, step: int = SECOND,
                    each: Callable[[], None] = lambda: None) -> None:
        """Let time go by until ``done``; ``each`` is called at every ``step`` of it."""
        for _ in range(most // step):
            if done():
                return
            self.clock.advance(step)
            each()
            await asyncio.sleep(0.003)
        raise AssertionError(f"not within {most} ms: {self.forwarder.statistics()}")

    async def stop(self) -> None:
        self.forwarder.stop()
        await asyncio.wait_for(self.started[-1], 5)

    def caught_up(self) -> bool:
        now = self.forwarder.statistics()
        return now.missing == 0 and now.behind == 0 and now.last_sent is not None


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    made: list[Bench] = []

    def make(settings: InfluxSettings, **more: object) -> Bench:
        made.append(Bench(tmp_path, settings, **more))  # type: ignore[arg-type]
        return made[-1]

    yield make
    for one in made:
        for task in one.started:
            task.cancel()
        one.journal.close()


@pytest.fixture
def strict() -> Iterator[StrictServer]:
    server = StrictServer()
    yield server
    server.close()


@pytest.fixture
def influxd(tmp_path: Path) -> Iterator[Influxd]:
    folder = tmp_path / "influx"
    folder.mkdir()
    server = Influxd(folder)
    server.start()
    server.query("CREATE DATABASE sprinklers")
    yield server
    server.stop()


@pytest.fixture
def victoria(tmp_path: Path) -> Iterator[VictoriaMetrics]:
    folder = tmp_path / "victoria"
    folder.mkdir()
    server = VictoriaMetrics(folder)
    server.start()
    yield server
    server.stop()
