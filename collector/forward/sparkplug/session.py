"""One session of a site with its broker: births, live data, backfill, an ordered end.

Data are published with QoS 0, as the specification demands, so nothing confirms them. But a broker
takes what one connection sends in order: after each batch a mark is published with QoS 1, and its
confirmation confirms the batch. Only then does the journal's cursor move.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from collector.clock import Clock, RateLimiter, format_instant
from collector.domain.errors import DeliveryError, DeliveryUnreachable
from collector.domain.events import event_to_json
from collector.domain.live import LivePicture
from collector.domain.plant import Plant
from collector.domain.readings import Quality, Reading, split_point
from collector.forward import (
    CommitStore,
    KeptEvent,
    MqttSettings,
    PublishCheckpoint,
    Reachability,
    StoredCommit,
)
from collector.forward.mqtt import Connection, Message, Received, SessionSettings
from collector.forward.sparkplug import PayloadInvalid
from collector.forward.sparkplug.edge_node import EdgeNode, PrimaryHost, is_rebirth_request

CONSUMER = "mqtt"
"""The name of the cursor in the journal."""
CHECKPOINT = "mqtt_ledger"
"""Key of the checkpoint in the journal's meta."""

_log = logging.getLogger(__name__)

_BATCH = 500
"""Metrics in one message at most: about 15 kB, below the limit of any broker."""
_MARK_EVERY = 10_000
_TURN = 1.0
"""Seconds between turns when nothing wakes the session."""
_GRACE = 0.7
"""Seconds in which the last commits may still be published when the session ends."""
_SILENT = 30_000
_SILENT_POLLS = 6


@dataclass(slots=True, kw_only=True)
class PublishCounts:
    """Counts of what was published since the start."""

    readings: int = 0
    history: int = 0
    events: int = 0
    sessions: int = 0
    births: int = 0
    lost: int = 0
    """Readings that retention deleted before they were published."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionParts:
    """The parts a session uses. ``journal`` is the id that event numbers belong to."""

    settings: MqttSettings
    plant: Plant
    picture: LivePicture
    store: CommitStore
    clock: Clock
    version: str
    journal: str
    counts: PublishCounts
    reach: Reachability
    timeout: float


class Session:
    """One session, from connecting to the end. ``woken`` is set when there may be work."""

    def __init__(
        self, parts: SessionParts, checkpoint: PublishCheckpoint, bd_seq: int, woken: asyncio.Event,
    ) -> None:
        self._parts, self._checkpoint, self._woken = parts, checkpoint, woken
        self._node = EdgeNode(fleet=parts.settings.fleet, plant=parts.plant,
                              version=parts.version, bd_seq=bd_seq)
        self._host = PrimaryHost(parts.settings.primary_host)
        self._ending = False
        self._rebirth = False
        self._marked_at = 0
        self._limiter = RateLimiter(parts.clock.now())
        self.born = False
        """Whether the births are published."""
        site = parts.plant.site.id
        self._events_topic = f"{parts.settings.events_prefix}/{site}/events"
        self._mark_topic = f"{parts.settings.events_prefix}/{site}/mark"
        self._link = Connection(
            parts.settings.broker,
            SessionSettings(client_id=f"quietpipe-{parts.settings.fleet}-{site}",
                            will=self._node.death(parts.clock.now())),
            received=self._messages_received, timeout=parts.timeout,
        )
        self._link.lost.add_done_callback(lambda _: woken.set())

    def __repr__(self) -> str:
        return f"Session({self._node!r}, {self._checkpoint!r})"

    def end(self) -> None:
        """Make :meth:`run` end in order."""
        self._ending = True
        self._link.give_up()
        self._woken.set()

    async def run(self) -> None:
        """Publish until :meth:`end`, or until the primary host goes away.

        Raises ``DeliveryUnreachable`` or ``DeliveryRefused`` for the broker, and ``JournalError``.
        """
        opened = False
        try:
            await self._link.open()
            opened = True
            await self._subscribe()
            if await self._host_is_online():
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

    def _messages_received(self, batch: Sequence[Received]) -> None:
        for message in batch:
            if not self._host.apply(message.topic, message.payload) and \
                    message.topic == self._node.topic("NCMD"):
                try:
                    self._rebirth = is_rebirth_request(message.payload) or self._rebirth
                except PayloadInvalid as exc:
                    _log.warning("a command that is no Sparkplug payload was skipped", extra={
                        "topic": message.topic, "reason": str(exc)})
        self._woken.set()

    async def _host_is_online(self) -> bool:
        """Wait for the primary host; return whether to go on."""
        while not self._host.online and not self._ending:
            self._check_link()
            self._parts.reach.failed(self._parts.clock.now(),
                                     f"the primary host {self._host.name} is away")
            await self._rest()
        return not self._ending

    async def _begin(self) -> None:
        # The live picture may be newer than this number, never older: no reading is lost between.
        self._checkpoint.skip_to(self._parts.store.last_commit)
        self._send_births()
        await self._settle()
        self._parts.counts.sessions += 1
        self._parts.reach.reached(self._parts.clock.now())

    def _send_births(self) -> None:
        self._rebirth = False
        now = self._parts.clock.now()
        silent = [t for t in self._node.assets if self._is_silent(t, now)]
        self._send(*self._node.births(self._parts.picture, silent, now))
        self._parts.counts.births += 1
        self.born = True

    def _over(self) -> bool:
        self._check_link()
        return self._ending or not self._host.online

    async def _finish(self) -> None:
        """Publish the last commits, so that the next start need not publish them again."""
        with contextlib.suppress(TimeoutError, DeliveryError):
            async with asyncio.timeout(_GRACE):
                if self._ending:
                    await self._publish_live()
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
        while (published := await self._publish_live()) is not None:
            events += published
        self._publish_silence()
        now = self._parts.clock.now()
        if self._checkpoint.gaps and self._limiter.wait(now) <= 0:
            await self._backfill(now)
        elif events or now - self._marked_at >= _MARK_EVERY or now < self._marked_at:
            await self._settle()
        if not self._checkpoint.gaps or self._limiter.wait(self._parts.clock.now()) > 0:
            await self._rest()

    async def _rest(self) -> None:
        wait = _TURN
        if self.born and self._checkpoint.gaps:
            wait = min(max(self._limiter.wait(self._parts.clock.now()), 0) / 1000, _TURN)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(wait):
                await self._woken.wait()
        self._woken.clear()

    async def _publish_live(self) -> int | None:
        """Publish new commits; return the number of events, or ``None`` without a commit."""
        commits = await asyncio.to_thread(self._parts.store.after, self._checkpoint.live, 50)
        if not commits or self._link.lost.done():
            return None
        self._report_lost(commits)
        self._publish_readings([r for c in commits for r in c.readings], historical=False)
        events = await self._publish_events(commits)
        self._checkpoint.published(commits[-1].number)
        return events

    async def _backfill(self, now: int) -> None:
        """Publish one batch of the oldest gap, and wait for the broker's confirmation."""
        after, upto = self._checkpoint.gaps[0]
        found = await asyncio.to_thread(self._parts.store.after, after, 100)
        commits = _up_to([c for c in found if c.number <= upto], 2 * _BATCH)
        readings = [r for c in commits for r in c.readings]
        self._report_lost(commits)
        self._publish_readings(readings, historical=True)
        await self._publish_events(commits)
        self._checkpoint.gap_filled(commits[-1].number if commits else upto)
        await self._settle()
        count = sum(max(len(c.readings), len(c.events)) for c in commits)
        self._limiter.sent(count, now, self._parts.settings.backfill)

    async def _settle(self) -> None:
        """Publish the mark; the broker's confirmation of it confirms everything before it."""
        now = self._parts.clock.now()
        self._marked_at = now
        text = json.dumps({
            "time": format_instant(now), "site": self._node.site, "version": self._parts.version,
            "journal": self._parts.journal, "commit": self._checkpoint.live,
            "behind": self._checkpoint.behind, "events": self._checkpoint.events,
        }, separators=(",", ":"))
        kept, position = self._checkpoint.dump(), self._checkpoint.watermark
        await self._link.publish(Message(topic=self._mark_topic, payload=text.encode(), qos=1))

        def keep() -> None:
            self._parts.store.commit([], [], meta={CHECKPOINT: kept})
            self._parts.store.settle(CONSUMER, position)

        await asyncio.to_thread(keep)

    # -- readings, events, deaths ----------------------------------------------------------------

    def _send(self, *messages: Message) -> None:
        for message in messages:
            self._link.send(message)

    def _publish_readings(self, readings: Iterable[Reading], *, historical: bool) -> None:
        readings = sorted(readings, key=lambda r: r.time)
        now, node = self._parts.clock.now(), self._node
        for asset in node.learn(readings):
            if node.is_born(asset):
                self._send(node.birth(asset, self._parts.picture, now))
        by_asset: dict[str, list[Reading]] = defaultdict(list)
        for reading in readings:
            by_asset[split_point(reading.point)[0]].append(reading)
        for asset, its in by_asset.items():
            dead = not node.is_born(asset)
            # Stale readings of an asset that is dead say nothing new.
            if dead and not historical and all(r.quality is Quality.STALE for r in its):
                continue
            if dead:
                self._send(node.birth(asset, self._parts.picture, now))
            for start in range(0, len(its), _BATCH):
                self._send(node.data(asset, its[start:start + _BATCH], now, historical=historical))
            if dead and historical and self._is_silent(asset, now):
                self._send(node.death_of(asset, now))
        if historical:
            self._parts.counts.history += len(readings)
        else:
            self._parts.counts.readings += len(readings)

    def _report_lost(self, commits: Sequence[StoredCommit]) -> None:
        for gap in (c.gap for c in commits if c.gap is not None):
            self._parts.counts.lost += gap.readings
            _log.error("the journal had no room to keep what was not published yet", extra={
                "readings": gap.readings, "events": gap.events})

    async def _publish_events(self, commits: Sequence[StoredCommit]) -> int:
        events = [e for c in commits for e in c.events]
        await self._link.publish(*(self._event(e) for e in events))
        self._parts.counts.events += len(events)
        self._checkpoint.events = max([self._checkpoint.events, *(e.seq for e in events)])
        return len(events)

    def _event(self, stored: KeptEvent) -> Message:
        # The number in this journal lets the receiver skip what it has received already.
        line = event_to_json(stored.event)
        numbered = f'{line[:-1]},"seq":{stored.seq},"journal":"{self._parts.journal}"}}'
        return Message(topic=self._events_topic, payload=numbered.encode(), qos=1)

    def _publish_silence(self) -> None:
        now = self._parts.clock.now()
        for asset in self._node.assets:
            if self._node.is_born(asset) and self._is_silent(asset, now):
                self._send(self._node.death_of(asset, now))

    def _is_silent(self, asset: str, now: int) -> bool:
        """Whether no device that an asset's points are read from has answered for long."""
        plant, picture = self._parts.plant, self._parts.picture
        answered, longest = -1, _SILENT
        for device in plant.devices.values():
            for point in device.points:
                state = picture.get(point) if split_point(point)[0] == asset else None
                if state is None:
                    continue
                longest = max(longest, _SILENT_POLLS * device.every)
                heard = state.last if state.last.quality is not Quality.STALE else state.last_good
                answered = max(answered, heard.time if heard is not None else -1)
        if not plant.devices:
            return False
        return answered < 0 or now - answered > longest


def _up_to(commits: Sequence[StoredCommit], readings: int) -> Sequence[StoredCommit]:
    """Return the first commits, at least one, with about ``readings`` readings."""
    total = 0
    for count, commit in enumerate(commits):
        total += len(commit.readings)
        if total >= readings:
            return commits[:count + 1]
    return commits
