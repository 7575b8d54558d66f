"""The worker that forwards the journal to an InfluxDB.

Two lanes on one wire. The live lane sends the newest commits every few seconds. After an outage it
goes on from the newest at once, and the other lane makes up for the rest at a bounded rate. The
journal's cursor stands where everything before it was taken; what was taken beyond it is kept
beside it. After a crash a little is written again, which changes nothing at the far end.
"""

from __future__ import annotations

import asyncio
import json
import logging
import random
from collections.abc import Callable
from dataclasses import replace

from collector.clock import Clock
from collector.domain.errors import DeliveryError, DeliveryUnreachable, JournalError
from collector.domain.events import FactNoted
from collector.domain.plant import Plant
from collector.forward.checkpoint import CommitStore, Ledger
from collector.forward.influx.batches import TARGET, AsideFile, Sending, Stopped
from collector.forward.influx.endpoints import Busy, Wire, wire_to
from collector.forward.influx.points import InfluxMapping
from collector.forward.remote_endpoint import ForwardStatistics, Patience, Reach
from collector.forward.settings import InfluxSettings

__all__ = ["CONSUMER", "InfluxForwarder"]

CONSUMER = "influx"
"""The name of this worker's cursor in the journal, and of what it keeps there beside it."""

_log = logging.getLogger(__name__)


class InfluxForwarder:
    """See the module. Without ``settings`` it waits for some.

    ``clock`` gives the instants of facts, ``pace`` the machine's own time. ``note`` is given each
    fact worth telling; ``wire`` makes the connection, in a thread.
    """

    def __init__(
        self, *, settings: InfluxSettings | None, store: CommitStore, plant: Plant, clock: Clock,
        pace: Clock, note: Callable[[FactNoted], object], aside: AsideFile,
        wire: Callable[[InfluxSettings], Wire] = wire_to, patience: Patience | None = None,
        rng: random.Random | None = None,
    ) -> None:
        self._settings, self._store, self._clock, self._pace = settings, store, clock, pace
        self._make_wire = wire
        self._patience, self._random = patience or Patience(), rng or random.Random()
        self._mapping = InfluxMapping(plant)
        self._reach = Reach(site=plant.site.id, name=TARGET, note=note)
        self._sending = Sending(site=plant.site.id, clock=clock, note=note, aside=aside,
                                patience=self._patience)
        self._ledger: Ledger | None = None
        self._settled, self._settled_at = "", pace.monotonic()
        self._allowance, self._filled_at = 0.0, pace.monotonic()
        self._failures, self._rest_for = 0, 0
        self._changed, self._stopping = True, False
        self._woken = asyncio.Event()

    def __repr__(self) -> str:
        where = self._settings.url if self._settings is not None else "nowhere"
        return f"InfluxForwarder({where}, {self._reach.why or 'well'})"

    def statistics(self) -> ForwardStatistics:
        """Return what was done so far."""
        ledger = self._ledger
        return replace(
            self._sending.so_far, on=self._settings is not None,
            reachable=not self._reach.why, why=self._reach.why,
            missing=ledger.behind if ledger is not None else 0,
            behind=max(self._store.last_commit - ledger.live, 0) if ledger is not None else 0,
        )

    def use(self, settings: InfluxSettings | None, plant: Plant) -> None:
        """Go on with another plant or server, after the site file was read again."""
        self._mapping.use(plant)
        if settings != self._settings:
            self._settings, self._changed = settings, True
            self._woken.set()

    def stop(self) -> None:
        """Ask :meth:`run` to return; it does within ``grace`` and a little. Does not wait."""
        if not self._stopping:
            self._stopping = True
            self._woken.set()
            asyncio.get_running_loop().call_later(self._patience.grace,
                                                  self._sending.expired.set)

    async def run(self) -> None:
        """Work until stopped. Trouble with the far end or the journal is told and tried again."""
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
            if self._changed or (self._settings is None) != (self._ledger is None):
                await self._adopt()
            if self._ledger is not None:
                await self._turn(self._ledger)
        except Stopped:
            return
        except DeliveryError as exc:
            self._failed(exc)
        except JournalError as exc:
            _log.error("forwarding could not use the journal", extra={"reason": str(exc)})
            self._rest_for = self._patience.first_retry
        except Exception as exc:
            # A fault of ours must neither end the watch nor be hidden by tries in silence.
            _log.exception("forwarding broke")
            self._failed(DeliveryUnreachable(f"a fault of this program: {type(exc).__name__}"))

    async def _adopt(self) -> None:
        """Take up the settings as they are now: their cursor, their server, a fresh patience."""
        settings, self._changed = self._settings, False
        self._sending.use(None if settings is None else lambda: self._make_wire(settings))
        self._failures, self._rest_for = 0, self._patience.longest_retry
        if settings is None:
            # A cursor that nobody moves would keep the journal from ever deleting by age.
            await asyncio.to_thread(self._store.forget, CONSUMER)
            await asyncio.to_thread(self._store.commit, (), (), meta={CONSUMER: "{}"})
            self._ledger = None
        elif self._ledger is None:
            position = await asyncio.to_thread(self._store.register, CONSUMER)
            text = await asyncio.to_thread(self._store.meta, CONSUMER)
            kept = json.loads(text) if text else {}
            self._ledger = Ledger.load(kept.get("ledger"), position)
            self._reach.failing = bool(kept.get("failing"))

    def _failed(self, exc: DeliveryError) -> None:
        if str(exc) != self._reach.why:
            _log.warning("%s: %s", TARGET, exc)
        self._reach.failed(self._clock.now(), str(exc))
        self._sending.add(failed_tries=1)
        self._failures += 1
        doubled = self._patience.first_retry << min(self._failures - 1, 20)
        longest = min(doubled, self._patience.longest_retry)
        self._rest_for = longest - int(self._random.random() * longest / 2)
        if isinstance(exc, Busy):
            self._rest_for = max(self._rest_for, exc.after)

    # -- one turn --------------------------------------------------------------------------------

    async def _turn(self, ledger: Ledger) -> None:
        """Send what is new, then a piece of what was missed, if the rate allows it."""
        head = self._store.last_commit
        if head - ledger.live > self._patience.leap:
            ledger.skip_to(head - self._patience.recent)
        self._rest_for = self._patience.flush
        # What comes while this is sent waits for the next flush: many small requests help nobody.
        while ledger.live < head and not self._ending:
            commits = await self._deliver_after(ledger.live, None)
            ledger.told(commits[-1] if commits else head)
        await self._make_up(ledger)
        self._sending.tell()
        await self._settle(now=False)

    @property
    def _ending(self) -> bool:
        return self._stopping or self._changed

    async def _make_up(self, ledger: Ledger) -> None:
        """Send from the oldest hole until the next flush of live data, or the rate's end."""
        rate = self._settings.backfill if self._settings is not None else 1
        until = self._pace.monotonic() + self._patience.flush
        while ledger.holes and not self._ending:
            now = self._pace.monotonic()
            # At most a second's worth is saved up: an idle hour must not become a flood.
            self._allowance = min(self._allowance + (now - self._filled_at) * rate / 1000,
                                  float(rate))
            self._filled_at = now
            if now >= until or self._allowance <= 0:
                short = round(max(-self._allowance * 1000 / rate, 0)) + 10
                self._rest_for = max(min(short, until - now), 0)
                return
            sent = self._sending.so_far.sent
            after, upto = ledger.holes[0]
            commits = await self._deliver_after(after, upto)
            ledger.filled(commits[-1] if commits else upto)
            self._allowance -= self._sending.so_far.sent - sent

    async def _deliver_after(self, position: int, upto: int | None) -> list[int]:
        """Deliver the commits after ``position`` (up to ``upto``); return their numbers."""
        patience, sending = self._patience, self._sending
        commits = [c for c in await asyncio.to_thread(self._store.after, position, patience.read)
                   if upto is None or c.number <= upto]
        mapped = await asyncio.to_thread(self._mapping.of, commits)
        for start in range(0, len(mapped.lines), patience.batch):
            await sending.send(mapped.lines[start:start + patience.batch],
                               doubted=self._failures >= patience.doubt)
            self._failures = 0
            self._reach.reached(self._clock.now())
        await sending.set_aside(mapped.aside)
        gaps = [c.gap for c in commits if c.gap is not None]
        sending.add(withheld=mapped.withheld, lost=sum(g.readings + g.events for g in gaps))
        return [c.number for c in commits]

    # -- the cursor ------------------------------------------------------------------------------

    async def _settle(self, *, now: bool) -> None:
        """Write the cursor and what lies beyond it, not too often unless ``now``."""
        ledger, moment = self._ledger, self._pace.monotonic()
        if ledger is None or (not now and moment - self._settled_at < self._patience.settle):
            return
        kept = json.dumps({"ledger": ledger.dump(), "failing": self._reach.failing})
        if kept == self._settled:
            return
        position = ledger.settled
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
