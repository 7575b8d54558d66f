"""A small site with a journal, and its publisher."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

from esio_spb_builder.core.sparkplug_b_pb2 import Payload as OpenPayload

from collector.clock import SystemClock
from collector.domain.events import Event, SystemEvent
from collector.domain.live import LivePicture
from collector.domain.plant import Device, Generator, Plant, Riser, Site
from collector.domain.readings import Quality, Reading
from collector.forward import BrokerSettings, MqttSettings
from collector.forward.sparkplug.publisher import SparkplugPublisher
from collector.journal import Journal

POINTS = ("gen1.tank_pressure", "gen1.compressor_running", "gen1.mode")
RISER = ("r1.pressure",)


def plant(site: str = "fenmoor") -> Plant:
    return Plant(
        site=Site(id=site, name="Fenmoor Cold Store", timezone="Europe/London"),
        generators={"gen1": Generator(id="gen1", name="Generator 1")},
        risers={"r1": Riser(id="r1", name="Dock riser")},
        devices={
            "controller": Device(id="controller", name="controller", every=1000, points=POINTS),
            "gauge": Device(id="gauge", name="gauge", every=1000, points=RISER),
        },
    )


def reading(point: str, at: int, value: float | None, quality: Quality = Quality.GOOD) -> Reading:
    return Reading(point=point, asked=at - 5, time=at, value=value, quality=quality,
                   why="" if quality is Quality.GOOD else "no answer")


def decoded(payload: bytes) -> Any:
    """Read a payload with a decoder that is not ours."""
    message = OpenPayload()
    message.ParseFromString(payload)
    return message


async def until(check: Callable[[], Any], what: str, within: float = 45.0) -> Any:
    end = time.monotonic() + within
    while not (answer := check()):
        assert time.monotonic() < end, f"not within {within:g} s: {what}"
        await asyncio.sleep(0.02)
    return answer


class SmallSite:
    """A journal that is written as the daemon writes it, and the worker that publishes it."""

    def __init__(self, folder: Path, broker: BrokerSettings, **settings: Any) -> None:
        self.journal = Journal.open(folder / "journal.sqlite")
        self.picture = LivePicture()
        self.clock = SystemClock()
        self.notes: list[SystemEvent] = []
        self.plant = plant(settings.pop("site", "fenmoor"))
        self.settings = MqttSettings(broker=broker, fleet="north", **settings)
        self.sent: list[Reading] = []
        self.worker = self.new_worker()

    def new_worker(self) -> SparkplugPublisher:
        return SparkplugPublisher(
            settings=self.settings, plant=self.plant, picture=self.picture, store=self.journal,
            clock=self.clock, record_event=self.notes.append, version="1.2.3", timeout=10.0,
        )

    def commit(self, *readings: Reading, events: tuple[Event, ...] = ()) -> None:
        self.journal.commit(readings, events)
        self.picture.update(readings)
        self.sent.extend(readings)
        self.worker.wake()

    def read(self, count: int = 1, *, value: float = 60.0) -> None:
        """Commit readings of every point, a ms apart."""
        for n in range(count):
            now = self.clock.now() + n
            self.commit(
                reading("gen1.tank_pressure", now, value + n / 8),
                reading("gen1.compressor_running", now, 1.0), reading("gen1.mode", now, 1.0),
                reading("r1.pressure", now, 25.0),
            )

    def fact(self, text: str) -> SystemEvent:
        return SystemEvent(time=self.clock.now(), site=self.plant.site.id, fact="site-file-read",
                         text=text)

    @contextlib.asynccontextmanager
    async def published(self) -> AsyncIterator[SparkplugPublisher]:
        task = asyncio.create_task(self.worker.run())
        try:
            yield self.worker
        finally:
            self.worker.stop()
            await asyncio.wait_for(task, 5)

    def close(self) -> None:
        self.journal.close()
