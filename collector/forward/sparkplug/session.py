"""One session of a site with its broker: births, what is live, what was missed, an ordered end.

Data go out with QoS 0, as the specification demands, so nothing says that they arrived. But a
broker takes what one connection sends in order: after each batch a mark goes out with QoS 1, and
once the broker has taken the mark it has taken the batch. Only then does the journal's cursor move.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from collector.clock import Clock, format_instant
from collector.domain.errors import DeliveryError, DeliveryUnreachable
from collector.domain.events import event_to_json
from collector.domain.live import LivePicture
from collector.domain.plant import Plant
from collector.domain.readings import Quality, Reading, split_point
from collector.forward.checkpoint import CommitStore, KeptEvent, Ledger, StoredCommit
from collector.forward.mqtt import Connection, Message, Received, SessionSettings
from collector.forward.remote_endpoint import Reach
from collector.forward.settings import MqttSettings
from collector.forward.sparkplug.edge_node import EdgeNode, PrimaryHost, asks_for_rebirth
from collector.forward.sparkplug.payload import PayloadInvalid

__all__ = ["CONSUMER", "LEDGER", "Counts", "Session", "SessionParts"]

CONSUMER = "mqtt"
"""The name of the cursor in the journal."""
LEDGER = "mqtt_ledger"
"""Where the journal's meta keeps what was told beyond the cursor."""

_log = logging.getLogger(__name__)

_BATCH = 500
"""Metrics in one message at most: some 15 kB, below what any broker takes."""
_MARK_EVERY = 10_000
_TURN = 1.0
"""Seconds of rest when nothing wakes us."""
_GRACE = 0.7
"""Seconds in which the last commits may still go out when the session ends."""
_SILENT = 30_000
_SILENT_POLLS = 6


@dataclass(slots=True, kw_only=True)
class Counts:
    """What was published so far."""

    readings: int = 0
    history: int = 0
    events: int = 0
    sessions: int = 0
    births: int = 0
    lost: int = 0
    """Readings that the journal had to delete before they could be published."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionParts:
    """What a session works with. ``journal`` is the id that event numbers belong to."""

    settings: MqttSettings
    plant: Plant
    picture: LivePicture
    store: CommitStore
    clock: Clock
    version: str
    journal: str
    counts: Counts
    reach: Reach
    timeout: float


class Session:
    """See the module. ``woken`` is set whenever there may be something to do."""

    def __init__(
        self, parts: SessionParts, ledger: Ledger, bd_seq: int, woken: asyncio.Event,
    ) -> None:
        self._parts, self._ledger, self._woken = parts, ledger, woken
        self._node = EdgeNode(fleet=parts.settings.fleet, plant=parts.plant,
                              version=parts.version, bd_seq=bd_seq)
        self._host = PrimaryHost(parts.settings.primary_host)
        self._ending = False
        self._rebirth = False
        self._marked_at = 0
        self._history_at = 0
        self.born = False
        """Whether the births are out."""
        site = parts.plant.site.id
        self._events_topic = f"{parts.settings.events_prefix}/{site}/events"
        self._mark_topic = f"{parts.settings.events_prefix}/{site}/mark"
        self._link = Connection(
            parts.settings.broker,
            SessionSettings(client_id=f"quietpipe-{parts.settings.fleet}-{site}",
                            will=self._node.death(parts.clock.now())),
            received=self._hear, timeout=parts.timeout,
        )
        self._link.lost.add_done_callback(lambda _: woken.set())

    def __repr__(self) -> str:
        return f"Session({self._node!r}, {self._ledger!r})"

    def end(self) -> None:
        """Ask :meth:`run` to end in good order."""
        self._ending = True
        self._link.give_up()
        self._woken.set()

    async def run(self) -> None:
        """Be there until ended, or until the primary host goes away.

        Raises ``DeliveryUnreachable`` or ``DeliveryRefused`` when the broker does not let us, and
        ``JournalError``.
        """
        opened = False
        try:
            await self._link.open()
            opened = True
            await self._subscribe()
            if await self._host_is_there():
                await self._begin()
                while not self._over():
                    await self._turn()
                await self._finish()
        finally:
            last = [self._node.death(self._parts.clock.now())] if opened and self.born else []
            self.born = False
            await self._link.close(*last)

    # -- beginning and end -----------------------------------------------------------------------

    async def _subscribe(self) -> None:
        topics = [(self._node.topic("NCMD"), 1)]
        if self._host.name is not None:
            topics.append((self._host.topic, 1))
        await self._link.subscribe(*topics)

    def _hear(self, batch: Sequence[Received]) -> None:
        for message in batch:
            if not self._host.hear(message.topic, message.payload) and \
                    message.topic == self._node.topic("NCMD"):
                try:
                    self._rebirth = asks_for_rebirth(message.payload) or self._rebirth
                except PayloadInvalid as exc:
                    _log.warning("a command that is none was passed over", extra={
                        "topic": message.topic, "reason": str(exc)})
        self._woken.set()

    async def _host_is_there(self) -> bool:
        """Wait for the primary host; return whether to go on."""
        while not self._host.online and not self._ending:
            self._check_link()
            self._parts.reach.failed(self._parts.clock.now(),
                                     f"the primary host {self._host.name} is away")
            await self._rest()
        return not self._ending

    async def _begin(self) -> None:
        # The picture may be newer than this number, never older: nothing falls between the two.
        self._ledger.skip_to(self._parts.store.last_commit)
        self._send_births()
        await self._settle()
        self._parts.counts.sessions += 1
        self._parts.reach.reached(self._parts.clock.now())

    def _send_births(self) -> None:
        self._rebirth = False
        now = self._parts.clock.now()
        silent = [t for t in self._node.things if self._is_silent(t, now)]
        self._send(*self._node.births(self._parts.picture, silent, now))
        self._parts.counts.births += 1
        self.born = True

    def _over(self) -> bool:
        self._check_link()
        return self._ending or not self._host.online

    async def _finish(self) -> None:
        """Send what was committed last, so that the next start need not send it again."""
        with contextlib.suppress(TimeoutError, DeliveryError):
            async with asyncio.timeout(_GRACE):
                if self._ending:
                    await self._tell_live()
                await self._settle()

    def _check_link(self) -> None:
        if self._link.lost.done():
            raise DeliveryUnreachable(f"{self._parts.settings.broker}: {self._link.lost.result()}")

    # -- one turn --------------------------------------------------------------------------------

    async def _turn(self) -> None:
        self._woken.clear()
        if self._rebirth:
            self._send_births()
        events = 0
        while (told := await self._tell_live()) is not None:
            events += told
        self._tell_silence()
        now = self._parts.clock.now()
        if self._ledger.holes and now >= self._history_at:
            await self._fill(now)
        elif events or now - self._marked_at >= _MARK_EVERY or now < self._marked_at:
            await self._settle()
        if not self._ledger.holes or self._history_at > self._parts.clock.now():
            await self._rest()

    async def _rest(self) -> None:
        wait = _TURN
        if self.born and self._ledger.holes:
            wait = min(max(self._history_at - self._parts.clock.now(), 0) / 1000, _TURN)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(wait):
                await self._woken.wait()
        self._woken.clear()

    async def _tell_live(self) -> int | None:
        """Publish what was committed since; return the count of events, ``None`` for no commit."""
        commits = await asyncio.to_thread(self._parts.store.after, self._ledger.live, 50)
        if not commits or self._link.lost.done():
            return None
        self._say_lost(commits)
        self._tell_readings([r for c in commits for r in c.readings], historical=False)
        events = await self._tell_events(commits)
        self._ledger.told(commits[-1].number)
        return events

    async def _fill(self, now: int) -> None:
        """Publish one batch of what was missed, and wait for the broker to have it."""
        after, upto = self._ledger.holes[0]
        found = await asyncio.to_thread(self._parts.store.after, after, 100)
        commits = _up_to([c for c in found if c.number <= upto], 2 * _BATCH)
        readings = [r for c in commits for r in c.readings]
        self._say_lost(commits)
        self._tell_readings(readings, historical=True)
        await self._tell_events(commits)
        self._ledger.filled(commits[-1].number if commits else upto)
        await self._settle()
        count = sum(max(len(c.readings), len(c.events)) for c in commits)
        self._history_at = now + count * 1000 // self._parts.settings.backfill

    async def _settle(self) -> None:
        """Publish the mark; once the broker has it, everything before it is told."""
        now = self._parts.clock.now()
        self._marked_at = now
        text = json.dumps({
            "time": format_instant(now), "site": self._node.site, "version": self._parts.version,
            "journal": self._parts.journal, "commit": self._ledger.live,
            "behind": self._ledger.behind, "events": self._ledger.events,
        }, separators=(",", ":"))
        kept, position = self._ledger.dump(), self._ledger.settled
        await self._link.publish(Message(topic=self._mark_topic, payload=text.encode(), qos=1))

        def keep() -> None:
            self._parts.store.commit([], [], meta={LEDGER: kept})
            self._parts.store.settle(CONSUMER, position)

        await asyncio.to_thread(keep)

    # -- readings, events, deaths ----------------------------------------------------------------

    def _send(self, *messages: Message) -> None:
        for message in messages:
            self._link.send(message)

    def _tell_readings(self, readings: Iterable[Reading], *, historical: bool) -> None:
        readings = sorted(readings, key=lambda r: r.time)
        now, node = self._parts.clock.now(), self._node
        for thing in node.learn(readings):
            if node.is_born(thing):
                self._send(node.birth(thing, self._parts.picture, now))
        by_thing: dict[str, list[Reading]] = defaultdict(list)
        for reading in readings:
            by_thing[split_point(reading.point)[0]].append(reading)
        for thing, its in by_thing.items():
            dead = not node.is_born(thing)
            # That a silent thing does not answer is what its death says.
            if dead and not historical and all(r.quality is Quality.STALE for r in its):
                continue
            if dead:
                self._send(node.birth(thing, self._parts.picture, now))
            for start in range(0, len(its), _BATCH):
                self._send(node.data(thing, its[start:start + _BATCH], now, historical=historical))
            if dead and historical and self._is_silent(thing, now):
                self._send(node.death_of(thing, now))
        if historical:
            self._parts.counts.history += len(readings)
        else:
            self._parts.counts.readings += len(readings)

    def _say_lost(self, commits: Sequence[StoredCommit]) -> None:
        for gap in (c.gap for c in commits if c.gap is not None):
            self._parts.counts.lost += gap.readings
            _log.error("the journal had no room to keep what was not published yet", extra={
                "readings": gap.readings, "events": gap.events})

    async def _tell_events(self, commits: Sequence[StoredCommit]) -> int:
        events = [e for c in commits for e in c.events]
        await self._link.publish(*(self._event(e) for e in events))
        self._parts.counts.events += len(events)
        self._ledger.events = max([self._ledger.events, *(e.seq for e in events)])
        return len(events)

    def _event(self, stored: KeptEvent) -> Message:
        # The number in this journal lets the far end know what it has had already.
        line = event_to_json(stored.event)
        numbered = f'{line[:-1]},"seq":{stored.seq},"journal":"{self._parts.journal}"}}'
        return Message(topic=self._events_topic, payload=numbered.encode(), qos=1)

    def _tell_silence(self) -> None:
        now = self._parts.clock.now()
        for thing in self._node.things:
            if self._node.is_born(thing) and self._is_silent(thing, now):
                self._send(self._node.death_of(thing, now))

    def _is_silent(self, thing: str, now: int) -> bool:
        """Whether nothing that a thing's points are read from has answered for long."""
        plant, picture = self._parts.plant, self._parts.picture
        answered, patience = -1, _SILENT
        for device in plant.devices.values():
            for point in device.points:
                state = picture.get(point) if split_point(point)[0] == thing else None
                if state is None:
                    continue
                patience = max(patience, _SILENT_POLLS * device.every)
                heard = state.last if state.last.quality is not Quality.STALE else state.last_good
                answered = max(answered, heard.time if heard is not None else -1)
        if not plant.devices:
            return False
        return answered < 0 or now - answered > patience


def _up_to(commits: Sequence[StoredCommit], readings: int) -> Sequence[StoredCommit]:
    """Return the first commits, at least one, with about that many readings."""
    total = 0
    for count, commit in enumerate(commits):
        total += len(commit.readings)
        if total >= readings:
            return commits[:count + 1]
    return commits
