"""The worker that forwards the journal to an InfluxDB.

The newest commits are sent every few seconds. After an outage the worker continues with the newest
at once, and backfills the rest at a limited rate. The journal's cursor is where everything
before it was accepted; what was accepted beyond it is in the checkpoint. After a crash a little is
written again, which changes nothing in the database.
"""

from __future__ import annotations

import asyncio
import json
import logging
import random
from collections.abc import Callable
from dataclasses import replace

from collector.clock import Clock, RateLimiter
from collector.domain.errors import DeliveryError, DeliveryUnreachable, JournalError
from collector.domain.events import SystemEvent
from collector.domain.live import ForwardStatistics
from collector.domain.plant import Plant
from collector.domain.units import SECOND
from collector.forward import (
    CommitStore,
    InfluxSettings,
    PublishCheckpoint,
    Reachability,
    RetryPolicy,
)
from collector.forward.influx import InfluxMapping
from collector.forward.influx.endpoints import (
    TARGET,
    BatchSender,
    Busy,
    DeadLetterFile,
    Endpoint,
    Stopped,
    endpoint_of,
)

CONSUMER = "influx"
"""Name of this worker's cursor in the journal, and key of its checkpoint in the meta."""

_log = logging.getLogger(__name__)


class InfluxForwarder:
    """Forwards commits to InfluxDB. Without ``settings`` it waits for a site file that has them.

    ``clock`` gives the instants of events, ``pace`` is the machine's own clock. ``endpoint`` makes
    the connection, in a thread.
    """

    def __init__(
        self, *, settings: InfluxSettings | None, store: CommitStore, plant: Plant, clock: Clock,
        pace: Clock, record_event: Callable[[SystemEvent], object],
        dead_letters: DeadLetterFile,
        endpoint: Callable[[InfluxSettings], Endpoint] = endpoint_of,
        retry: RetryPolicy | None = None, rng: random.Random | None = None,
    ) -> None:
        self._settings, self._store, self._clock, self._pace = settings, store, clock, pace
        self._make_endpoint = endpoint
        self._retry, self._random = retry or RetryPolicy(), rng or random.Random()
        self._mapping = InfluxMapping(plant)
        self._reach = Reachability(site=plant.site.id, name=TARGET, record_event=record_event)
        self._sending = BatchSender(site=plant.site.id, clock=clock, record_event=record_event,
                                    dead_letters=dead_letters, retry=self._retry)
        self._checkpoint: PublishCheckpoint | None = None
        self._settled, self._settled_at = "", pace.monotonic()
        self._limiter = RateLimiter(pace.monotonic(), burst=SECOND)
        self._failures, self._rest_for = 0, 0
        self._changed, self._stopping = True, False
        self._woken = asyncio.Event()

    def __repr__(self) -> str:
        where = self._settings.url if self._settings is not None else "nowhere"
        return f"InfluxForwarder({where}, {self._reach.why or 'well'})"

    def statistics(self) -> ForwardStatistics:
        """Return the counts since the start."""
        checkpoint = self._checkpoint
        return replace(
            self._sending.so_far, on=self._settings is not None,
            reachable=not self._reach.why, why=self._reach.why,
            missing=checkpoint.behind if checkpoint else 0,
            behind=max(self._store.last_commit - checkpoint.live, 0) if checkpoint else 0,
        )

    def use(self, settings: InfluxSettings | None, plant: Plant) -> None:
        """Continue with another plant or server, after the site file was read again."""
        self._mapping.use(plant)
        if settings != self._settings:
            self._settings, self._changed = settings, True
            self._woken.set()

    def stop(self) -> None:
        """Make :meth:`run` return within ``grace`` and a little. Does not wait."""
        if not self._stopping:
            self._stopping = True
            self._woken.set()
            asyncio.get_running_loop().call_later(self._retry.grace,
                                                  self._sending.expired.set)

    async def run(self) -> None:
        """Forward until stopped. Errors of the server or the journal are reported and retried."""
        try:
            while not self._stopping:
                self._woken.clear()
                await self._try_turn()
                await self._rest()
            await self._settle(now=True)
        except JournalError as exc:
            _log.error("the cursor was not written", extra={"reason": str(exc)})
        finally:
            self._sending.use(None)

    async def _try_turn(self) -> None:
        try:
            if self._changed or (self._settings is None) != (self._checkpoint is None):
                await self._adopt()
            if self._checkpoint is not None:
                await self._turn(self._checkpoint)
        except Stopped:
            return
        except DeliveryError as exc:
            self._failed(exc)
        except JournalError as exc:
            _log.error("forwarding could not use the journal", extra={"reason": str(exc)})
            self._rest_for = self._retry.first_retry
        except Exception as exc:
            # A fault of ours must neither end the daemon nor be hidden by silent retries.
            _log.exception("forwarding broke")
            self._failed(DeliveryUnreachable(f"a fault of this program: {type(exc).__name__}"))

    async def _adopt(self) -> None:
        """Adopt the settings as they are now: cursor, server, first retry."""
        settings, self._changed = self._settings, False
        self._sending.use(None if settings is None else lambda: self._make_endpoint(settings))
        self._failures, self._rest_for = 0, self._retry.longest_retry
        if settings is None:
            # A cursor that no longer moves would keep the journal from deleting by age.
            await asyncio.to_thread(self._store.forget, CONSUMER)
            await asyncio.to_thread(self._store.commit, (), (), meta={CONSUMER: "{}"})
            self._checkpoint = None
        elif self._checkpoint is None:
            position = await asyncio.to_thread(self._store.register, CONSUMER)
            text = await asyncio.to_thread(self._store.meta, CONSUMER)
            kept = json.loads(text) if text else {}
            self._checkpoint = PublishCheckpoint.load(kept.get("ledger"), position)
            self._reach.failing = bool(kept.get("failing"))

    def _failed(self, exc: DeliveryError) -> None:
        if str(exc) != self._reach.why:
            _log.warning("%s: %s", TARGET, exc)
        self._reach.failed(self._clock.now(), str(exc))
        self._sending.add(failed_tries=1)
        self._failures += 1
        doubled = self._retry.first_retry << min(self._failures - 1, 20)
        longest = min(doubled, self._retry.longest_retry)
        self._rest_for = longest - int(self._random.random() * longest / 2)
        if isinstance(exc, Busy):
            self._rest_for = max(self._rest_for, exc.after)

    # -- one turn --------------------------------------------------------------------------------

    async def _turn(self, checkpoint: PublishCheckpoint) -> None:
        """Send what is new, then a part of the backlog, if the rate allows it."""
        head = self._store.last_commit
        if head - checkpoint.live > self._retry.leap:
            checkpoint.skip_to(head - self._retry.recent)
        self._rest_for = self._retry.flush
        # Commits made meanwhile wait for the next flush, which saves many small requests.
        while checkpoint.live < head and not self._ending:
            commits = await self._deliver_after(checkpoint.live, None)
            checkpoint.published(commits[-1] if commits else head)
        await self._backfill(checkpoint)
        self._sending.report()
        await self._settle(now=False)

    @property
    def _ending(self) -> bool:
        return self._stopping or self._changed

    async def _backfill(self, checkpoint: PublishCheckpoint) -> None:
        """Send from the oldest gap until the next flush of live data, or as the rate allows."""
        rate = self._settings.backfill if self._settings is not None else 1
        until = self._pace.monotonic() + self._retry.flush
        while checkpoint.gaps and not self._ending:
            now = self._pace.monotonic()
            wait = self._limiter.wait(now)
            if now >= until or wait >= 0:
                self._rest_for = max(min(round(max(wait, 0)) + 10, until - now), 0)
                return
            sent = self._sending.so_far.sent
            after, upto = checkpoint.gaps[0]
            commits = await self._deliver_after(after, upto)
            checkpoint.gap_filled(commits[-1] if commits else upto)
            self._limiter.sent(self._sending.so_far.sent - sent, now, rate)

    async def _deliver_after(self, position: int, upto: int | None) -> list[int]:
        """Deliver the commits after ``position`` (up to ``upto``); return their numbers."""
        retry, sending = self._retry, self._sending
        commits = [c for c in await asyncio.to_thread(self._store.after, position, retry.read)
                   if upto is None or c.number <= upto]
        mapped = await asyncio.to_thread(self._mapping.of, commits)
        for start in range(0, len(mapped.lines), retry.batch):
            await sending.send(mapped.lines[start:start + retry.batch],
                               doubted=self._failures >= retry.split_after)
            self._failures = 0
            self._reach.reached(self._clock.now())
        await sending.add_dead_letters(mapped.dead_letters)
        gaps = [c.gap for c in commits if c.gap is not None]
        sending.add(withheld=mapped.withheld, lost=sum(g.readings + g.events for g in gaps))
        return [c.number for c in commits]

    # -- the cursor ------------------------------------------------------------------------------

    async def _settle(self, *, now: bool) -> None:
        """Write the cursor and the checkpoint, at intervals unless ``now``."""
        checkpoint, moment = self._checkpoint, self._pace.monotonic()
        if checkpoint is None or (not now and moment - self._settled_at < self._retry.settle):
            return
        kept = json.dumps({"ledger": checkpoint.dump(), "failing": self._reach.failing})
        if kept == self._settled:
            return
        position = checkpoint.watermark
        await asyncio.to_thread(self._store.settle, CONSUMER, position)
        await asyncio.to_thread(self._store.commit, (), (), meta={CONSUMER: kept})
        self._settled, self._settled_at = kept, moment

    async def _rest(self) -> None:
        if self._ending:
            return
        sleep = asyncio.ensure_future(self._pace.sleep(self._rest_for))
        wake = asyncio.ensure_future(self._woken.wait())
        try:
            await asyncio.wait({sleep, wake}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            sleep.cancel()
            wake.cancel()
