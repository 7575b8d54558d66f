"""The worker that turns committed events into queued messages, and sends them.

No message is lost: the cursor moves and messages are queued in one transaction, and a message stays
in the journal until it was delivered, refused or given up; the last two are reported. A crash sends
no message more than twice: an attempt is recorded before anything is sent, so a start after a crash
knows which messages may have arrived, and sends those once more.

Each recipient has a delivery queue: its messages in order, one at a time, so that a dead mail
server delays no other recipient. After two failures in a row a queue waits, longer each time: one
failure may be the message's own, and must not delay those behind it.
"""

from __future__ import annotations

import asyncio
import json
import logging
import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from collector.clock import Clock
from collector.domain.errors import JournalError
from collector.domain.events import Event, SystemEvent
from collector.domain.messages import Delivery, NewDelivery
from collector.notify import folded_message
from collector.notify.calls import decide, next_due
from collector.notify.channels import Channel, channel_for
from collector.notify.delivery import (
    CommitOfEvents,
    DeliveryStore,
    OutboxCounters,
    OutboxSettings,
    OutboxStatistics,
    RecordEvent,
    SendAbandoned,
    Sender,
    pause,
)
from collector.notify.policy import Policy
from collector.notify.recipients import Recipient
from collector.notify.unjournalled import UnjournalledMessages

__all__ = ["CONSUMER", "Outbox", "OutboxSettings", "OutboxStatistics"]

CONSUMER = "notify"
"""Name of this worker's cursor in the journal."""

_STATE = "calls"
"""Key under which the journal stores the state of calls."""

_SETTLE_EVERY = 300
"""Commits without events after which the cursor is written anyway."""

_log = logging.getLogger(__name__)


class Outbox:
    """Sends messages to recipients. ``record_event`` is called in the event loop.

    ``channel`` returns the channel of a recipient; the default goes by its address. ``files`` is
    the folder of the reports that messages carry.
    """

    def __init__(
        self, *, store: DeliveryStore, policy: Policy, clock: Clock, record_event: RecordEvent,
        settings: OutboxSettings | None = None,
        channel: Callable[[Recipient], Channel] | None = None, rng: random.Random | None = None,
        files: Path | None = None,
    ) -> None:
        self._store, self._policy, self._clock = store, policy, clock
        self._settings = retry = settings or OutboxSettings()
        self._counters = OutboxCounters()
        self._sender = Sender(
            store=store, clock=clock, record_event=record_event, settings=retry,
            counters=self._counters,
            channel=channel or (lambda r: channel_for(r, timeout=retry.timeout)),
            rng=rng or random.Random(), site=policy.plant.site.id, files=files,
        )
        self._unjournalled = UnjournalledMessages(self._sender, clock)
        self._settled: int | None = None
        self._state: Mapping[str, Any] = {}
        """State of calls after the last decision, as the journal has it."""
        self._queues: dict[str, asyncio.Task[None]] = {}
        self._failures: dict[str, int] = {}
        self._resting: dict[str, int] = {}
        self._woken = asyncio.Event()

    def __repr__(self) -> str:
        done = self._counters.so_far
        return (f"Outbox({len(self._policy.recipients)} recipients, {done.on_the_wire} on the "
                f"wire, {done.delivered} delivered, {done.given_up} given up)")

    def statistics(self) -> OutboxStatistics:
        """Return the counts since the start."""
        now = self._clock.now()
        resting = {r: until for r, until in self._resting.items() if until > now}
        return replace(self._counters.so_far, resting=resting)

    def wake(self) -> None:
        """Wake the worker after a commit. To be called in the event loop."""
        self._woken.set()

    def send_unjournalled(self, events: Sequence[Event]) -> None:
        """Send what the journal cannot keep, and what is due of it. In the event loop.

        To be called at every failure of the journal with the events since the last one.
        """
        self._unjournalled.send(self._policy, self._state, events)

    def use(self, policy: Policy) -> None:
        """Continue with another policy, after the site file was read again; no queue waits."""
        self._policy = policy
        self._resting.clear()
        self._failures.clear()
        self.wake()

    def stop(self) -> None:
        """Make :meth:`run` return within ``grace`` and a little. Does not wait."""
        if not self._sender.stopping.is_set():
            self._sender.stopping.set()
            self._woken.set()
            asyncio.get_running_loop().call_later(self._settings.grace, self._sender.expired.set)

    async def run(self) -> None:
        """Send until stopped. Errors of the journal are logged, counted and retried."""
        recovered = False
        try:
            while not self._sender.stopping.is_set():
                self._woken.clear()
                try:
                    if not recovered:
                        await self._recover()
                        recovered = True
                    await self._turn()
                except JournalError as exc:
                    self._sender.journal_trouble(exc)
                await self._rest()
            if self._queues:
                await asyncio.wait(list(self._queues.values()))
        finally:
            for queue in self._queues.values():
                queue.cancel()

    async def _recover(self) -> None:
        """Queue what a crash interrupted; what it interrupted twice is closed and reported."""
        for delivery in await asyncio.to_thread(self._store.recover, self._clock.now()):
            self._counters.add(uncertain=1)
            # Two attempts that never ended are not counted, since only failed ones are.
            await self._sender.report_given_up(
                delivery, "it was cut off twice and may have arrived", tries=delivery.attempts + 2
            )

    async def _turn(self) -> None:
        await self._route()
        await self._fold()
        limit = self._settings.batch
        while not self._sender.stopping.is_set():
            # A queue that ends during the query has handled what the query returns.
            busy = frozenset(self._queues)
            due = await asyncio.to_thread(self._store.due_deliveries, self._clock.now(), limit)
            opened = self._start_queues([d for d in due if d.recipient not in busy])
            # The long queue of one dead recipient must not hide what is due to the others.
            if opened or len(due) < limit:
                return
            limit *= 4

    async def _fold(self) -> None:
        """Send a person the newest alarms, and one message for all else that has piled up."""
        now, most = self._clock.now(), self._settings.fold_above
        for name in await asyncio.to_thread(self._store.crowded, now, most):
            known = self._policy.recipient(name)
            if name in self._queues or (known is not None and known.wants_events):
                continue

            def summary(
                newest: Sequence[Delivery], count: int, name: str = name,
            ) -> NewDelivery:
                message = folded_message([(d.subject, d.created) for d in newest], count,
                                         self._policy.plant)
                return NewDelivery(recipient=name, subject=message.subject, body=message.body,
                                   event_seq=newest[0].event_seq, due=now, kind="folded")

            count = await asyncio.to_thread(
                self._store.fold, name, self._settings.fold_keep, now, summary)
            if count:
                _log.warning("messages were folded into one",
                             extra={"recipient": name, "messages": count})

    async def _route(self) -> None:
        """Process new commits and what is due by time, and move the cursor.

        Commits without events come every second and cause nothing: the cursor is written for them
        only at intervals, since each write wears the disk. Reading them twice is harmless.
        """
        if self._settled is None:
            self._settled = await asyncio.to_thread(self._store.position, CONSUMER)
            self._counters.put(position=self._settled)
            kept = await asyncio.to_thread(self._store.meta, _STATE)
            self._state = json.loads(kept) if kept else {}
        while not self._sender.stopping.is_set():
            position = self._counters.so_far.position
            commits = await asyncio.to_thread(self._store.after, position, self._settings.batch)
            await self._decide(commits, commits[-1].number if commits else position)
            if not commits:
                return

    async def _decide(self, commits: Sequence[CommitOfEvents], position: int) -> None:
        """Write messages, state of calls and cursor in one transaction."""
        events = [event for commit in commits for event in commit.events]
        now = self._clock.now()
        due = next_due(self._state)
        lost = sum(commit.gap.events for commit in commits if commit.gap is not None)
        await self._report_unreported(lost, self._policy.skipped(events, now))
        if events or (due is not None and due <= now):
            decided = decide(self._policy, self._state, events, now)
            await asyncio.to_thread(
                self._store.settle, CONSUMER, position, deliveries=decided.deliveries,
                meta={_STATE: json.dumps(decided.state, separators=(",", ":"))},
            )
            self._settled, self._state = position, decided.state
            self._unjournalled.end()
            self._counters.add(decided=len(decided.deliveries))
            for fact in decided.facts:
                await self._sender.record_event(fact)
        elif lost or position - (self._settled or 0) >= _SETTLE_EVERY:
            await asyncio.to_thread(self._store.settle, CONSUMER, position)
            self._settled = position
        self._counters.put(position=position)

    def _start_queues(self, due: Sequence[Delivery]) -> int:
        """Start a queue for each recipient without one; return how many were started."""
        now = self._clock.now()
        queues: dict[str, list[Delivery]] = {}
        for delivery in due:
            if self._resting.get(delivery.recipient, 0) <= now:
                queues.setdefault(delivery.recipient, []).append(delivery)
        for recipient, queue in queues.items():
            task = asyncio.create_task(self._send_queue(recipient, queue),
                                       name=f"deliver to {recipient}")
            self._queues[recipient] = task
        return len(queues)

    async def _send_queue(self, recipient: str, queue: Sequence[Delivery]) -> None:
        failed = 0
        try:
            for delivery in queue:
                if self._sender.stopping.is_set():
                    return
                # Looked up for each: the site file may be read again between two messages.
                known = self._policy.recipient(recipient)
                failed = 0 if await self._sender.deliver(delivery, known) else failed + 1
                if failed == 2:
                    break
        except SendAbandoned:
            _log.info("a message was left on the wire", extra={"recipient": recipient})
        except JournalError as exc:
            self._sender.journal_trouble(exc)
            failed += 1
        except Exception:
            # A fault of ours: the other recipients must still get their messages.
            _log.exception("a delivery queue broke", extra={"recipient": recipient})
            failed += 1
        finally:
            self._end_queue(recipient, failed)

    def _end_queue(self, recipient: str, failed: int) -> None:
        del self._queues[recipient]
        if failed:
            self._failures[recipient] = self._failures.get(recipient, 0) + 1
            wait = self._sender.wait_after(self._failures[recipient])
            self._resting[recipient] = self._clock.now() + wait
        else:
            self._failures.pop(recipient, None)
            self._resting.pop(recipient, None)
        self._woken.set()

    async def _report_unreported(self, lost: int, old: int) -> None:
        """Record how many events were not reported: ``lost`` were deleted, ``old`` are history."""
        causes = [
            (lost, "events-lost", "were deleted from the journal for want of space before "
                                  "anyone was notified of them"),
            (old, "events-not-told", "are too old to call anyone for: they were committed while "
                                     "no messages could be sent"),
        ]
        for count, fact, why in causes:
            if count:
                _log.error("events were not reported", extra={"events": count, "fact": fact})
                await self._sender.record_event(SystemEvent(
                    time=self._clock.now(), site=self._policy.plant.site.id, fact=fact,
                    text=f"{count} events {why}. See the board for active alarms.",
                    values={"events": count},
                ))

    async def _rest(self) -> None:
        """Wait for a wake-up, the end of a queue's wait, the next call, or the poll."""
        now = self._clock.now()
        due = next_due(self._state)
        ends = [t - now for t in (*self._resting.values(), *([due] if due else [])) if t > now]
        await pause(self._clock, min([self._settings.poll, *ends]), self._woken)
