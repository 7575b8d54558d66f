"""What runs by the clock: packing, retention, the saved state of the rules, the sign of life.

Intervals are in the daemon's time. APScheduler knows only real time, so a sped-up clock shortens
them; none becomes shorter than a second, or the demo would do nothing but tidy up.
"""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_EXECUTED, JobExecutionEvent
from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.interval import IntervalTrigger

from collector.clock import Clock

__all__ = ["Clockwork", "JobStatistics"]

_log = logging.getLogger(__name__)

Job = Callable[[], Awaitable[None]]


@dataclass(frozen=True, slots=True, kw_only=True)
class JobStatistics:
    """One job: how often it ran, how often it failed, and the last failure's words."""

    name: str
    every: int
    """ms of the daemon's time."""
    runs: int
    failures: int
    last_failure: str


class Clockwork:
    """Runs coroutines at intervals; one failure is logged, counted, and tried at the next turn."""

    def __init__(self, clock: Clock) -> None:
        self._speed = float(getattr(clock, "speed", 1.0))
        self._every: dict[str, int] = {}
        self._runs: dict[str, int] = {}
        self._failures: dict[str, list[str]] = {}
        self._scheduler = AsyncIOScheduler(timezone="UTC")
        self._scheduler.add_listener(self._count, EVENT_JOB_EXECUTED | EVENT_JOB_ERROR)

    def __repr__(self) -> str:
        return f"Clockwork({', '.join(sorted(self._every))})"

    def every(self, interval: int, name: str, job: Job) -> None:
        """Run ``job`` each ``interval`` ms of the daemon's time; never twice at once."""
        self._every[name] = interval
        self._scheduler.add_job(
            job, IntervalTrigger(seconds=max(interval / 1000 / self._speed, 1.0)),
            id=name, max_instances=1, coalesce=True, misfire_grace_time=None,
        )

    def start(self) -> None:
        """Start counting intervals from now."""
        self._scheduler.start()

    def stop(self) -> None:
        """Start no further job."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    def statistics(self) -> tuple[JobStatistics, ...]:
        """Return each job's counts."""
        return tuple(
            JobStatistics(
                name=name, every=every, runs=self._runs.get(name, 0),
                failures=len(failures := self._failures.get(name, [])),
                last_failure=failures[-1] if failures else "",
            )
            for name, every in sorted(self._every.items())
        )

    def _count(self, event: JobExecutionEvent) -> None:
        self._runs[event.job_id] = self._runs.get(event.job_id, 0) + 1
        if event.exception is not None:
            _log.error("%s failed: %s", event.job_id, event.exception)
            kept = self._failures.setdefault(event.job_id, [])
            kept.append(str(event.exception))
