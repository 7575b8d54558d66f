"""The daemon's periodic jobs, and the scheduler that runs them.

Intervals are in the daemon's time. APScheduler knows only real time, so a sped-up clock shortens
them; none becomes shorter than a second, or a demo would spend its time on housekeeping.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import replace

from apscheduler.events import EVENT_JOB_ERROR, JobExecutionEvent
from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.interval import IntervalTrigger

from collector import __version__
from collector.acceptance import AcceptanceSync
from collector.app.first_readings import FirstReadings, accepted_maps
from collector.app.pipeline import Pipeline, kept_number
from collector.clock import Clock
from collector.commissioning.journal_sync import CommissioningSync
from collector.config import SiteConfig
from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.errors import ActionRefused
from collector.domain.events import SystemEvent
from collector.domain.live import LivePicture
from collector.domain.plant import Plant
from collector.domain.units import HOUR
from collector.forward.influx.endpoints import DeadLetterFile
from collector.forward.influx.forwarder import InfluxForwarder
from collector.forward.sparkplug.publisher import SparkplugPublisher
from collector.journal import Journal
from collector.notify.outbox import Outbox
from collector.notify.policy import Policy
from collector.sources.poller import Poller

_log = logging.getLogger(__name__)

Job = Callable[[], Awaitable[None]]


class JobScheduler:
    """Runs coroutines at intervals; a job that fails is logged and run again when due."""

    def __init__(self, clock: Clock) -> None:
        self._speed = float(getattr(clock, "speed", 1.0))
        self._scheduler = AsyncIOScheduler(timezone="UTC")
        self._scheduler.add_listener(self._log_failure, EVENT_JOB_ERROR)

    def __repr__(self) -> str:
        return f"JobScheduler({', '.join(sorted(job.id for job in self._scheduler.get_jobs()))})"

    def every(self, interval: int, name: str, job: Job) -> None:
        """Run ``job`` each ``interval`` ms of the daemon's time; never twice at once."""
        self._scheduler.add_job(
            job, IntervalTrigger(seconds=max(interval / 1000 / self._speed, 1.0)),
            id=name, max_instances=1, coalesce=True, misfire_grace_time=None,
        )

    def start(self) -> None:
        """Start the intervals of all jobs now."""
        self._scheduler.start()

    def stop(self) -> None:
        """Start no further job."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    @staticmethod
    def _log_failure(event: JobExecutionEvent) -> None:
        _log.error("%s failed: %s", event.job_id, event.exception)


class JournalJobs:
    """The jobs that keep the journal small and a restart short; each method is one job."""

    def __init__(
        self, *, pipeline: Pipeline, journal: Journal, clock: Clock, consumer: str,
        config: Callable[[], SiteConfig],
    ) -> None:
        self._pipeline, self._journal, self._clock = pipeline, journal, clock
        self._consumer, self._config = consumer, config

    async def save_rules(self) -> None:
        """Save the rules' state with the next commit; release the commits before the last save."""
        self._pipeline.snapshot_soon()
        position = kept_number(self._journal.meta("watch_commit"))
        if position:
            await asyncio.to_thread(self._journal.settle, self._consumer, position)

    async def pack(self) -> None:
        """Pack the readings of closed hours."""
        before = self._clock.now() // HOUR * HOUR
        result = await asyncio.to_thread(self._journal.pack, before)
        _log.debug("packed: %s", result)

    async def retain(self) -> None:
        """Delete what is older or larger than the site file allows."""
        keep = self._config().journal
        oldest = None if keep.keep is None else self._clock.now() - keep.keep
        result = await asyncio.to_thread(
            self._journal.retain, oldest=oldest, max_bytes=keep.max_bytes
        )
        _log.debug("retained: %s", result)


async def journal_acceptance(
    sync: AcceptanceSync, plant: Plant, pipeline: Pipeline, clock: Clock,
) -> None:
    """Journal the steps of acceptances, whether they were done on the board or by command."""
    for note in await asyncio.to_thread(sync.pending, plant):
        fact = replace(note.fact, time=clock.now())
        for kind, lasts in note.declarations.items():
            await _declare(note.fact, kind, lasts, pipeline, clock)
        _log.info("%s: %s", fact.fact, fact.text)
        pipeline.record_event(fact)


async def journal_commissioning(
    sync: CommissioningSync, site: str, pipeline: Pipeline, clock: Clock,
) -> None:
    """Journal the commissioning records that were signed since the last turn."""
    for fact in await asyncio.to_thread(sync.pending, site):
        _log.info("%s: %s", fact.fact, fact.text)
        pipeline.record_event(replace(fact, time=clock.now()))


async def _declare(
    fact: SystemEvent, kind: ActionKind, lasts: int | None, pipeline: Pipeline, clock: Clock,
) -> None:
    """Declare the fill or impairment that an acceptance step needs; or end it."""
    now = clock.now()
    action = OperatorAction(
        kind=kind, alarm=fact.asset, time=now, by=str(fact.values["by"]), why="acceptance",
        until=now + lasts if lasts is not None else None)
    with contextlib.suppress(ActionRefused):  # it has ended already: nothing to end
        await pipeline.act(action)


async def first_ended(stop: asyncio.Event, parts: Sequence[asyncio.Task[None]]) -> None:
    """Return when ``stop`` is set; raise the error of a part that ends before."""
    stopped = asyncio.create_task(stop.wait(), name="stop")
    try:
        done, _ = await asyncio.wait({stopped, *parts}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        stopped.cancel()
    for part in parts:
        if part in done:
            # No part ends by itself: one that did has failed, and the daemon with it. The
            # service manager starts us again; going on half blind would be worse.
            _log.error("%s ended", part.get_name())
            part.result()


async def cancelled(*tasks: asyncio.Task[None]) -> None:
    """Cancel tasks, and return when all have ended."""
    for task in tasks:
        task.cancel()
    for task in tasks:
        with contextlib.suppress(asyncio.CancelledError):
            await task


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
