"""One group served: its session with the broker, what comes kept first and acknowledged then."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import random
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from collector.clock import Clock
from collector.domain.errors import DeliveryError, DeliveryUnreachable, JournalError
from collector.fleet.hub_message_handler import Counts, Intake, Taken
from collector.fleet.hub_settings import Group
from collector.fleet.hub_store import Batch, Came, DeadLetter, GroupStore, group_file
from collector.forward.mqtt import Connection, Message, Received, SessionSettings
from collector.forward.settings import BrokerSettings

__all__ = ["GroupHub", "GroupParts"]

_log = logging.getLogger(__name__)

_EXPIRY = 7 * 86_400
"""Seconds that the broker keeps what is for us while no hub serves the group."""
_WINDOW = 2000
_STATES_EVERY = 3_000
"""ms between two times that pictures are written; events are written at once."""
_PAUSE = 0.05
_TRENDS_EVERY = 3600.0
"""Seconds between two looks at all estimates."""
_LONGEST_WAIT = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupParts:
    """What serving a group takes. ``lines`` writes history lines of what was taken, or nothing."""

    group: Group
    broker: BrokerSettings
    host_id: str
    folder: Path
    silent_after: int
    clock: Clock
    lines: Callable[[Taken], bytes]


class GroupHub:
    """See the module.

    The broker's session belongs to the group, not to the process: whoever serves the group next
    finds in it what came meanwhile.
    """

    def __init__(self, parts: GroupParts) -> None:
        self._parts = parts
        self.store = GroupStore(group_file(parts.folder, parts.group.id), parts.group.id)
        self.counts = Counts()
        self.intake = Intake(parts.group, self.store.states(), self.counts, parts.silent_after)
        self._waiting: deque[Received] = deque()
        self._woken = asyncio.Event()
        self._stopping = False
        self._ended = asyncio.Event()
        self._dirty: set[str] = set()
        self._written_at = 0
        self.connected = False
        self._failures = 0
        self.why = "not connected yet"

    def __repr__(self) -> str:
        return f"GroupHub({self._parts.group.id}, {len(self.intake.states)} sites)"

    def stop(self) -> None:
        """Ask :meth:`run` to return."""
        self._stopping = True
        self._ended.set()
        self._woken.set()

    async def run(self) -> None:
        """Serve until stopped; whatever goes wrong is logged and tried again."""
        trends = asyncio.create_task(self._keep_trends(), name="trends")
        try:
            while not self._stopping:
                try:
                    await self._session()
                except (DeliveryError, JournalError) as exc:
                    if str(exc) != self.why:
                        _log.warning("group %s: %s", self._parts.group.id, exc)
                    await self._failed(str(exc))
                except Exception as exc:  # a fault of ours: seen, and not the group's end
                    _log.exception("group %s failed and is served again", self._parts.group.id)
                    await self._failed(f"a fault of this program: {type(exc).__name__}: {exc}")
                finally:
                    self.connected = False
        finally:
            await asyncio.gather(trends, return_exceptions=True)
            self.store.close()

    async def _failed(self, why: str) -> None:
        """Remember why the session ended, and wait longer each time before the next."""
        self._failures += 1
        self.why = why
        self._woken.clear()
        await self._rest(min(2.0 ** min(self._failures - 1, 5), _LONGEST_WAIT)
                         * (1 - random.random() / 2))  # noqa: S311

    async def _keep_trends(self) -> None:
        while not self._stopping:
            try:
                await asyncio.to_thread(self.store.refresh_trends, self._parts.clock.now(),
                                        lambda: not self._stopping)
            except JournalError as exc:
                _log.error("group %s: %s", self._parts.group.id, exc)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_TRENDS_EVERY):
                    await self._ended.wait()

    async def _session(self) -> None:
        parts, now = self._parts, self._parts.clock.now()
        # What an earlier connection brought and was not acknowledged comes again.
        self._waiting.clear()
        link = Connection(
            parts.broker,
            SessionSettings(client_id=f"quietpipe-{parts.host_id}-{parts.group.id}", clean=False,
                            expiry=_EXPIRY, manual=True, window=_WINDOW,
                            will=self._state(False, now)),
            received=self._received,
        )
        link.lost.add_done_callback(lambda _: self._woken.set())
        try:
            await link.open()
            await link.subscribe(*self.intake.topics)
            # A host says that it is there once it listens, not before.
            await link.publish(self._state(True, now))
            self.connected, self.why, self._failures = True, "", 0
            await self._serve(link, since=parts.clock.now())
        finally:
            self.connected = False
            await link.close(self._state(False, parts.clock.now()))

    def _state(self, online: bool, at: int) -> Message:
        name = f"{self._parts.host_id}-{self._parts.group.id}"
        return Message(topic=f"spBv1.0/STATE/{name}", qos=1, retain=True,
                       payload=json.dumps({"online": online, "timestamp": at}).encode())

    def _received(self, batch: Sequence[Received]) -> None:
        self._waiting.extend(batch)
        self._woken.set()

    async def _serve(self, link: Connection, since: int) -> None:
        looked = 0
        while not self._stopping:
            self._woken.clear()
            batch = [self._waiting.popleft() for _ in range(min(len(self._waiting), _WINDOW))]
            now = self._parts.clock.now()
            taken = self.intake.take(batch, now)
            await self._keep(taken, now)
            for message in batch:
                link.done(message)
            for question in taken.ask:
                link.send(question)
            if now - looked >= 1000 or now < looked:
                looked = now
                await self._keep(self.intake.silences(now, since), now)
                if owed := self.intake.owed(now):
                    raise DeliveryUnreachable(
                        f"{self._parts.broker} owes events of {', '.join(owed[:3])}: the session "
                        "is taken up again")
            if link.lost.done():
                raise DeliveryUnreachable(f"{self._parts.broker}: {link.lost.result()}")
            if not self._waiting:
                await self._rest(1.0)
                await asyncio.sleep(_PAUSE)  # what comes together is kept together
        await self._keep(Taken(changed=set(self._dirty)), self._parts.clock.now(), all_states=True)

    async def _keep(self, taken: Taken, now: int, *, all_states: bool = False) -> None:
        """Keep what was taken; what is to be asked is asked after that."""
        self._dirty |= taken.changed
        due = all_states or now - self._written_at >= _STATES_EVERY or now < self._written_at
        # With an event the picture of its site is written too: after a crash both are there.
        named = set(self._dirty) if due else {came.site for came in taken.events} & self._dirty
        states = [self.intake.states[s] for s in named]
        history = self._parts.lines(taken)
        if not (taken.events or states or history or taken.dead):
            return
        batch = Batch(events=taken.events, dead=taken.dead, states=states, history=history)
        new = await self._kept(batch, now)
        self._dirty -= named
        if due:
            self._written_at = now
        self.counts.events += len(new)
        self.counts.repeated += len(taken.events) - len(new)

    async def _kept(self, batch: Batch, now: int) -> list[Came]:
        while True:
            try:
                return await asyncio.to_thread(self.store.keep, batch, now)
            except JournalError as exc:
                # What is in memory must not get ahead of the disk: nothing more is taken until
                # this is kept, and the broker holds what comes meanwhile.
                _log.error("group %s: %s", self._parts.group.id, exc)
                self.why = str(exc)
                if self._stopping:
                    raise
                await asyncio.sleep(1)
            except Exception as exc:
                if not batch.events:
                    raise
                _log.exception("group %s: events could not be kept together", self._parts.group.id)
                return await self._kept_apart(batch, now, exc)

    async def _kept_apart(self, batch: Batch, now: int, fault: Exception) -> list[Came]:
        """Keep each event of a batch by itself; one that cannot be kept becomes a dead letter."""
        if len(batch.events) == 1:
            came = batch.events[0]
            letter = DeadLetter(
                topic=f"{came.site}/events", payload=repr(came).encode("utf-8", "backslashreplace"),
                reason=f"not kept: {type(fault).__name__}: {fault}", time=now)
            self.counts.dead_letters += 1
            return await self._kept(replace(batch, events=(), dead=(*batch.dead, letter)), now)
        new: list[Came] = []
        for came in batch.events:
            new += await self._kept(Batch(events=(came,)), now)
        return new + await self._kept(replace(batch, events=()), now)

    async def _rest(self, seconds: float) -> None:
        if self._stopping:
            return
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._woken.wait()
