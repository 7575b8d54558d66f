"""The service of one group: its session with the broker. Messages are stored, then acknowledged."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import random
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from collector.clock import Clock
from collector.domain.errors import DeliveryError, DeliveryUnreachable, JournalError
from collector.domain.readings import MODES
from collector.domain.units import DAY, SECOND
from collector.fleet import Group
from collector.fleet.hub_message_handler import Counts, HandledMessages, MessageHandler
from collector.fleet.hub_state import ReceivedValue, SiteState
from collector.fleet.hub_store import Batch, DeadLetter, GroupStore, ReceivedEvent, group_file
from collector.forward import BrokerSettings
from collector.forward.influx import FIELDS, FieldValue, Line, event_lines
from collector.forward.influx.endpoints import DeadLetterFile, Endpoint, deliver
from collector.forward.mqtt import Connection, Message, Received, SessionSettings
from collector.logs import in_thread

_log = logging.getLogger(__name__)

_EXPIRY = 7 * DAY // SECOND
"""Seconds that the broker keeps our messages while no hub serves the group."""
_WINDOW = 2000
_STATES_EVERY = 3_000
"""ms between two writes of site states; events are written at once."""
_PAUSE = 0.05
_TRENDS_EVERY = 3600.0
"""Seconds between two computations of trends."""
_LONGEST_WAIT = 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupParts:
    """The parts of serving a group. ``lines`` returns the history lines of handled messages."""

    group: Group
    broker: BrokerSettings
    host_id: str
    folder: Path
    silent_after: int
    clock: Clock
    lines: Callable[[HandledMessages], bytes]


class GroupHub:
    """Serves one group.

    The broker's session belongs to the group, not to the process: the next process that serves the
    group finds in it what came meanwhile.
    """

    def __init__(self, parts: GroupParts) -> None:
        self._parts = parts
        self.store = GroupStore(group_file(parts.folder, parts.group.id), parts.group.id)
        self.counts = Counts()
        self.handler = MessageHandler(parts.group, self.store.states(), self.counts,
                                      parts.silent_after)
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
        return f"GroupHub({self._parts.group.id}, {len(self.handler.states)} sites)"

    def stop(self) -> None:
        """Make :meth:`run` return."""
        self._stopping = True
        self._ended.set()
        self._woken.set()

    async def run(self) -> None:
        """Serve until stopped; errors are logged and retried."""
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
        """Record why the session ended, and wait longer each time before the next."""
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
        # Messages of an earlier connection that were not acknowledged come again.
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
            await link.subscribe(*self.handler.topics)
            # A host announces itself once it listens, not before.
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
            handled = self.handler.handle(batch, now)
            await self._keep(handled, now)
            for message in batch:
                link.done(message)
            for question in handled.ask:
                link.send(question)
            if now - looked >= 1000 or now < looked:
                looked = now
                await self._keep(self.handler.silences(now, since), now)
                if missing := self.handler.missing(now):
                    raise DeliveryUnreachable(
                        f"{self._parts.broker} holds back events of {', '.join(missing[:3])}: "
                        "the session is resumed")
            if link.lost.done():
                raise DeliveryUnreachable(f"{self._parts.broker}: {link.lost.result()}")
            if not self._waiting:
                await self._rest(1.0)
                await asyncio.sleep(_PAUSE)  # messages that come together are stored together
        await self._keep(HandledMessages(changed=set(self._dirty)), self._parts.clock.now(),
                         all_states=True)

    async def _keep(self, handled: HandledMessages, now: int, *, all_states: bool = False) -> None:
        """Store the result of handled messages, before anything is sent."""
        self._dirty |= handled.changed
        due = all_states or now - self._written_at >= _STATES_EVERY or now < self._written_at
        # With an event the state of its site is written too: after a crash both are there.
        named = set(self._dirty) if due else {came.site for came in handled.events} & self._dirty
        states = [self.handler.states[s] for s in named]
        history = self._parts.lines(handled)
        if not (handled.events or states or history or handled.dead):
            return
        batch = Batch(events=handled.events, dead=handled.dead, states=states, history=history)
        new = await self._kept(batch, now)
        self._dirty -= named
        if due:
            self._written_at = now
        self.counts.events += len(new)
        self.counts.repeated += len(handled.events) - len(new)

    async def _kept(self, batch: Batch, now: int) -> list[ReceivedEvent]:
        while True:
            try:
                return await asyncio.to_thread(self.store.keep, batch, now)
            except JournalError as exc:
                # Memory must not get ahead of the disk: no message is handled until this is stored,
                # and the broker holds what comes meanwhile.
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

    async def _kept_apart(self, batch: Batch, now: int, fault: Exception) -> list[ReceivedEvent]:
        """Store each event of a batch alone; one that cannot be stored becomes a dead letter."""
        if len(batch.events) == 1:
            came = batch.events[0]
            letter = DeadLetter(
                topic=f"{came.site}/events", payload=repr(came).encode("utf-8", "backslashreplace"),
                reason=f"not kept: {type(fault).__name__}: {fault}", time=now)
            self.counts.dead_letters += 1
            return await self._kept(replace(batch, events=(), dead=(*batch.dead, letter)), now)
        new: list[ReceivedEvent] = []
        for came in batch.events:
            new += await self._kept(Batch(events=(came,)), now)
        return new + await self._kept(replace(batch, events=()), now)

    async def _rest(self, seconds: float) -> None:
        if self._stopping:
            return
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._woken.wait()


_EMPTY_PAUSE = 1.0
_LONGEST_HISTORY_WAIT = 60.0
_MOST = 200_000
"""Batches kept while InfluxDB is away: days for some hundred sites, a few GB at the worst."""


def history_of(handled: HandledMessages) -> bytes:
    """Return the lines of handled messages; what line protocol cannot express is left out."""
    lines: list[str] = []
    for state, received in handled.values:
        lines += _said(_reading_lines(state, received))
    lines += _said(event_lines(handled.events))
    return "\n".join(lines).encode()


def _said(lines: Iterator[Line]) -> Iterator[str]:
    for line in lines:
        try:
            yield line.text()
        except ValueError as exc:
            _log.warning("a point that cannot be said is left out", extra={"reason": str(exc)})


def _reading_lines(state: SiteState, received: Sequence[ReceivedValue]) -> Iterator[Line]:
    """Yield one line for each asset and instant."""
    fields: dict[tuple[str, int], dict[str, FieldValue]] = {}
    for one in received:
        kind = state.kinds.get(one.thing, "")
        value = MODES.index(one.value) if one.value in MODES else one.value
        if one.metric in FIELDS.get(kind, ()) and not isinstance(value, str):
            fields.setdefault((one.thing, one.time), {})[one.metric] = float(value)
    for (thing, time), values in fields.items():
        yield Line(measurement=state.kinds[thing], fields=values, time=time,
                   tags={"site": state.site, "asset": thing})


class HistoryWriter:
    """Writes the lines stored in a group's file; ``make`` connects to the server."""

    def __init__(self, store: GroupStore, make: Callable[[], Endpoint],
                 dead_letters: DeadLetterFile,
                 clock: Clock) -> None:
        self._store, self._make, self._dead_letters, self._clock = store, make, dead_letters, clock
        self._wire: Endpoint | None = None
        self.written = 0
        self.lost = 0
        self.why = ""

    def __repr__(self) -> str:
        return f"HistoryWriter({self._store!r}, {self.written} written)"

    async def run(self) -> None:
        """Write until cancelled; what cannot be written is tried again later."""
        failures = 0
        while True:
            wait = 0.0
            try:
                if not await self._one():
                    wait = _EMPTY_PAUSE
                failures, self.why = 0, ""
            except (DeliveryError, JournalError, OSError) as exc:
                if str(exc) != self.why:
                    _log.warning("history of %s: %s", self._store.group, exc)
                self.why = str(exc)
                self._close()
                wait = min(2.0 ** failures, _LONGEST_HISTORY_WAIT)
                failures = min(failures + 1, 10)
                await self._bound()
            await asyncio.sleep(wait)

    async def _bound(self) -> None:
        try:
            self.lost += await in_thread(lambda: self._store.bound_history(_MOST))
        except JournalError as exc:
            _log.error("history of %s: %s", self._store.group, exc)

    def _close(self) -> None:
        if self._wire is not None:
            self._wire.close()
            self._wire = None

    async def _one(self) -> bool:
        found = await in_thread(self._store.next_history)
        if found is None:
            return False
        number, body = found
        outcome = await deliver(self._write, body.decode().split("\n"))
        self.written += outcome.accepted
        if outcome.dead_letters:
            self._dead_letters.add(outcome.dead_letters, self._clock.now())
        await in_thread(lambda: self._store.drop_history(number))
        return True

    async def _write(self, lines: Sequence[str]) -> None:
        await in_thread(lambda: self._blocking("\n".join(lines).encode()))

    def _blocking(self, body: bytes) -> None:
        if self._wire is None:
            self._wire = self._make()
        self._wire.write(body)
