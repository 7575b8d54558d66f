"""The parts of the daemon that talk to other machines: poller, outbox, MQTT and InfluxDB."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable

from collector import __version__
from collector.app.first_readings import FirstReadings, accepted_maps
from collector.app.jobs import cancelled
from collector.app.pipeline import Pipeline
from collector.clock import Clock
from collector.config import SiteConfig
from collector.domain.live import LivePicture
from collector.forward.influx.batches import DeadLetterFile
from collector.forward.influx.forwarder import InfluxForwarder
from collector.forward.sparkplug.publisher import SparkplugPublisher
from collector.journal import Journal
from collector.notify.outbox import Outbox
from collector.notify.policy import Policy
from collector.sources.poller import Poller

__all__ = ["Connections"]

_LAST_SENDS = 1.5
"""Seconds that a stop waits for messages being sent."""


class Connections:
    """The connections of a site file; :meth:`start` runs each as a task of its own.

    ``real`` is the machine's own clock: a time-out does not run faster in a demo.
    """

    def __init__(
        self, config: SiteConfig, *, policy: Policy, pipeline: Pipeline, journal: Journal,
        picture: LivePicture, clock: Clock, real: Clock,
    ) -> None:
        record_event = pipeline.record_event
        self._clock = clock
        self._first = FirstReadings(
            site=config.plant.site.id, sink=pipeline.put, record_event=record_event,
            accepted=accepted_maps(journal),
            noted=[a.asset for a in pipeline.monitor.alarms()
                   if a.condition == "readings-implausible" and a.present])
        self._first.use(config.plant, config.devices)
        self.poller = Poller(config.devices, clock=clock, sink=self._first.put,
                             rng=random.Random())
        self.outbox = Outbox(store=journal, policy=policy, clock=clock, record_event=record_event,
                             files=config.data / "reports")
        pipeline.unjournalled = self.outbox.send_unjournalled
        self.mqtt = SparkplugPublisher(settings=config.mqtt, plant=config.plant, picture=picture,
                              store=journal, clock=clock, record_event=record_event,
                              version=__version__)
        self.influx = InfluxForwarder(
            settings=config.influx, plant=config.plant, store=journal, clock=clock, pace=real,
            record_event=record_event,
            dead_letters=DeadLetterFile(config.data / "influx-set-aside.jsonl"),
        )
        self._pipeline = pipeline
        self._tasks: dict[str, asyncio.Task[None]] = {}

    def start(self) -> list[asyncio.Task[None]]:
        """Start the pipeline and every connection; return their tasks."""
        self._tasks = {name: asyncio.create_task(run, name=name) for name, run in (
            ("pipeline", self._pipeline.run()), ("poller", self.poller.run()),
            ("outbox", self.outbox.run()), ("mqtt", self.mqtt.run()),
            ("influx", self.influx.run()),
            ("first-readings", self._first.run(self.poller, self._clock)),
        )}
        return list(self._tasks.values())

    async def use(self, config: SiteConfig, policy: Policy) -> None:
        """Continue with a site file that was read again."""
        self._first.use(config.plant, config.devices)
        await self.poller.replace(config.devices)
        self.outbox.use(policy)
        self.mqtt.use(config.mqtt, config.plant)
        self.influx.use(config.influx, config.plant)

    async def end(self, before_last_commit: Callable[[], None]) -> None:
        """Stop in order: poller, pipeline, outbox; commit what is left; then the forwarders."""
        tasks = self._tasks
        await cancelled(tasks["first-readings"])
        await self.poller.stop()
        await cancelled(tasks["poller"])
        await cancelled(tasks["pipeline"])
        # What the last deliveries report must still find the pipeline; what the last turn raises
        # is sent at the next start, from the journal.
        self.outbox.stop()
        await asyncio.wait({tasks["outbox"]}, timeout=_LAST_SENDS)
        before_last_commit()
        await self._pipeline.finish()
        self.mqtt.stop()  # after the last commit, which it still publishes
        self.influx.stop()
        await asyncio.wait({tasks["mqtt"], tasks["influx"]}, timeout=_LAST_SENDS)
        await cancelled(tasks["outbox"], tasks["mqtt"], tasks["influx"])
