"""The worker that turns committed events into deliveries and deliveries into messages.

Two promises. Nothing is lost: the cursor moves and the deliveries are written in one transaction,
and a message stays in the journal until it was taken, refused or given up, and the last two are
told. Nothing goes out more than twice because of a crash: a try is written as begun before the
wire is touched, so a start after a crash knows what may have gone, and tries that once more.

Each recipient has a lane: its messages in order, one at a time. A dead mail server keeps nobody
else waiting. After two failures in a row a lane rests, longer each time: one failure may be the
message's own, and must not hold up those behind it.
"""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from collector.clock import Clock
from collector.domain.deliveries import Delivery, DeliveryOutcome
from collector.domain.errors import (
    DeliveryError,
    DeliveryRefused,
    DeliveryUnreachable,
    JournalError,
)
from collector.domain.events import FactNoted
from collector.notify.channels import Channel, channel_for
from collector.notify.message import Message, duration_text
from collector.notify.policy import GIVEN_UP, Policy
from collector.notify.recipients import Recipient
from collector.notify.store import DeliveryStore

__all__ = ["CONSUMER", "Outbox", "OutboxSettings", "OutboxStatistics"]

CONSUMER = "notify"
"""The name of this worker's cursor in the journal."""

_SETTLE_EVERY = 300
"""Commits without events after which the cursor is written all the same."""

_FINISH_TRIES = 20
"""Tries to write an outcome; then the message stays begun, and a restart takes it up."""

Note = Callable[[FactNoted], Awaitable[None] | None]

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxSettings:
    """How long and how often to try. Durations in ms of the injected clock, unless said.

    The wait after the n-th failure is ``first_retry * 2**(n-1)``, at most ``longest_retry``, less
    up to half of it by chance: many sites must not knock at a returning server together. A message
    is given up after ``attempts`` tries, or ``give_up_after`` from when it was written.

    In seconds of real time, since the far end does not live on our clock: ``timeout`` is how long
    a socket may stay quiet, ``deadline`` how long one try may last, ``grace`` how long a stop
    waits for what is on the wire.
    """

    first_retry: int = 15_000
    longest_retry: int = 900_000
    attempts: int = 120
    give_up_after: int = 86_400_000
    poll: int = 5_000
    batch: int = 200
    timeout: float = 15.0
    deadline: float = 90.0
    grace: float = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxStatistics:
    """What the worker has done since it started. Instants in ms since 1970 UTC."""

    position: int = 0
    """Number of the last commit whose events were decided on."""
    decided: int = 0
    delivered: int = 0
    failed_tries: int = 0
    given_up: int = 0
    uncertain: int = 0
    """Messages cut off by a crash twice: closed without knowing whether they arrived."""
    on_the_wire: int = 0
    resting: Mapping[str, int] = field(default_factory=dict)
    """Recipients whose lane rests after failures, and until when."""
    last_delivered: int | None = None
    last_failure: str = ""
    journal_errors: int = 0


class _Abandoned(Exception):  # noqa: N818 - not an error: the stop came first
    """The stop did not wait for this try; the journal still says that it was begun."""


class Outbox:
    """See the module. ``note`` is given each fact worth telling, in the event loop.

    ``channel`` chooses the way out of a recipient; the default goes by its address.
    """

    def __init__(
        self, *, store: DeliveryStore, policy: Policy, clock: Clock, note: Note,
        settings: OutboxSettings | None = None,
        channel: Callable[[Recipient], Channel] | None = None, rng: random.Random | None = None,
    ) -> None:
        self._store, self._policy, self._clock, self._note = store, policy, clock, note
        self._settings = settings or OutboxSettings()
        self._channel = channel or (lambda r: channel_for(r, timeout=self._settings.timeout))
        self._random = rng or random.Random()
        self._done = OutboxStatistics()
        self._settled: int | None = None
        self._lanes: dict[str, asyncio.Task[None]] = {}
        self._failures: dict[str, int] = {}
        self._resting: dict[str, int] = {}
        self._woken = asyncio.Event()
        self._stopping = asyncio.Event()
        self._expired = asyncio.Event()

    def __repr__(self) -> str:
        return (f"Outbox({len(self._policy.recipients)} recipients, {self._done.on_the_wire} on "
                f"the wire, {self._done.delivered} delivered, {self._done.given_up} given up)")

    def statistics(self) -> OutboxStatistics:
        """Return what was done so far."""
        now = self._clock.now()
        return replace(self._done, resting={r: t for r, t in self._resting.items() if t > now})

    def _count(self, **more: int) -> None:
        counted = {name: getattr(self._done, name) + n for name, n in more.items()}
        self._done = replace(self._done, **counted)

    def wake(self) -> None:
        """Say that something was committed. To be called in the event loop."""
        self._woken.set()

    def use(self, policy: Policy) -> None:
        """Go on with other routes, after the site file was read again; nobody's lane rests."""
        self._policy = policy
        self._resting.clear()
        self._failures.clear()
        self.wake()

    def stop(self) -> None:
        """Ask :meth:`run` to return; it does within ``grace`` and a little. Does not wait."""
        if not self._stopping.is_set():
            self._stopping.set()
            self._woken.set()
            asyncio.get_running_loop().call_later(self._settings.grace, self._expired.set)

    async def run(self) -> None:
        """Work until stopped. Trouble with the journal is logged, counted and tried again."""
        recovered = False
        try:
            while not self._stopping.is_set():
                self._woken.clear()
                try:
                    if not recovered:
                        await self._recover()
                        recovered = True
                    await self._turn()
                except JournalError as exc:
                    self._journal_trouble(exc)
                await self._rest()
            if self._lanes:
                await asyncio.wait(list(self._lanes.values()))
        finally:
            for lane in self._lanes.values():
                lane.cancel()

    def _journal_trouble(self, exc: JournalError) -> None:
        self._count(journal_errors=1)
        _log.error("the outbox could not use the journal", extra={"reason": str(exc)})

    async def _recover(self) -> None:
        """Take up what a crash cut off; what was cut off twice is closed, and told."""
        for delivery in await asyncio.to_thread(self._store.recover, self._clock.now()):
            self._count(uncertain=1)
            # Two tries that never ended are not among the attempts, which are those that failed.
            await self._tell_given_up(
                delivery, "it was cut off twice and may have arrived", tries=delivery.attempts + 2
            )

    async def _turn(self) -> None:
        await self._route()
        limit = self._settings.batch
        while not self._stopping.is_set():
            # A lane that ends while the journal is asked has dealt with what the answer shows.
            busy = frozenset(self._lanes)
            due = await asyncio.to_thread(self._store.due_deliveries, self._clock.now(), limit)
            opened = self._open_lanes([d for d in due if d.recipient not in busy])
            # The long queue of one dead recipient must not hide what is due to the others.
            if opened or len(due) < limit:
                return
            limit *= 4

    async def _route(self) -> None:
        """Decide on what was committed since, and move the cursor.

        Commits without events come every second and decide nothing: the cursor is written for
        them only now and then, since each write wears the disk. Reading them twice is harmless.
        """
        if self._settled is None:
            self._settled = await asyncio.to_thread(self._store.position, CONSUMER)
            self._done = replace(self._done, position=self._settled)
        while not self._stopping.is_set():
            position = self._done.position
            commits = await asyncio.to_thread(self._store.after, position, self._settings.batch)
            if not commits:
                return
            events = [event for commit in commits for event in commit.events]
            now = self._clock.now()
            made = self._policy.decide(events, now)
            lost = sum(commit.gap.events for commit in commits if commit.gap is not None)
            await self._tell_untold(lost, self._policy.passed_over(events, now))
            position = commits[-1].number
            if events or lost or position - self._settled >= _SETTLE_EVERY:
                await asyncio.to_thread(self._store.settle, CONSUMER, position, deliveries=made)
                self._settled = position
            self._done = replace(
                self._done, position=position, decided=self._done.decided + len(made)
            )

    def _open_lanes(self, due: Sequence[Delivery]) -> int:
        """Start a lane for each recipient that is free; return how many were started."""
        now = self._clock.now()
        queues: dict[str, list[Delivery]] = {}
        for delivery in due:
            if self._resting.get(delivery.recipient, 0) <= now:
                queues.setdefault(delivery.recipient, []).append(delivery)
        for recipient, queue in queues.items():
            task = asyncio.create_task(self._lane(recipient, queue), name=f"deliver to {recipient}")
            self._lanes[recipient] = task
        return len(queues)

    async def _lane(self, recipient: str, queue: Sequence[Delivery]) -> None:
        failed = 0
        try:
            for delivery in queue:
                if self._stopping.is_set():
                    return
                failed = 0 if await self._deliver(delivery) else failed + 1
                if failed == 2:
                    break
        except _Abandoned:
            _log.info("a message was left on the wire", extra={"recipient": recipient})
        except JournalError as exc:
            self._journal_trouble(exc)
            failed += 1
        except Exception:
            # A fault of ours: the others must get their messages all the same.
            _log.exception("a delivery lane broke", extra={"recipient": recipient})
            failed += 1
        finally:
            self._close_lane(recipient, failed)

    def _close_lane(self, recipient: str, failed: int) -> None:
        del self._lanes[recipient]
        if failed:
            self._failures[recipient] = self._failures.get(recipient, 0) + 1
            wait = self._wait_after(self._failures[recipient])
            self._resting[recipient] = self._clock.now() + wait
        else:
            self._failures.pop(recipient, None)
            self._resting.pop(recipient, None)
        self._woken.set()

    def _wait_after(self, failures: int) -> int:
        doubled: int = self._settings.first_retry << min(failures - 1, 30)
        longest = min(doubled, self._settings.longest_retry)
        return longest - int(self._random.random() * longest / 2)

    async def _deliver(self, delivery: Delivery) -> bool:
        """Try one message; return whether the far end is fit for the next one."""
        known = {r.id: r for r in self._policy.recipients}
        recipient = known.get(delivery.recipient)
        await asyncio.to_thread(self._store.begin, delivery.id, self._clock.now())
        if recipient is None:
            await self._give_up(delivery, "the site file has no such recipient any more")
            return True
        try:
            await self._send(recipient, delivery)
        except DeliveryRefused as exc:
            self._count(failed_tries=1)
            await self._give_up(delivery, str(exc))
            return True
        except DeliveryError as exc:
            await self._postpone(delivery, str(exc))
            return False
        await self._finish(delivery, DeliveryOutcome.DELIVERED)
        self._count(delivered=1)
        self._done = replace(self._done, last_delivered=self._clock.now())
        _log.info("message delivered", extra={
            "recipient": recipient.id, "delivery": delivery.id, "attempts": delivery.attempts + 1,
        })
        return True

    async def _send(self, recipient: Recipient, delivery: Delivery) -> None:
        """Put one message on the wire; raises ``DeliveryError``, or ``_Abandoned`` on a stop."""
        message = Message(subject=delivery.subject, body=delivery.body)
        if delivery.uncertain and not recipient.wants_events:
            message = message.as_repeat()
        sending = asyncio.ensure_future(self._channel(recipient).send(recipient, message))
        expired = asyncio.ensure_future(self._expired.wait())
        self._count(on_the_wire=1)
        try:
            await asyncio.wait({sending, expired}, timeout=self._settings.deadline,
                               return_when=asyncio.FIRST_COMPLETED)
            if not sending.done():
                if self._expired.is_set():
                    raise _Abandoned
                raise DeliveryUnreachable(f"no end within {self._settings.deadline:g} s")
            await self._result(sending)
        finally:
            self._count(on_the_wire=-1)
            sending.cancel()
            expired.cancel()

    @staticmethod
    async def _result(sending: asyncio.Future[None]) -> None:
        try:
            await sending
        except DeliveryError:
            raise
        except Exception as exc:
            # A fault of ours in a channel: the message must not be lost for it.
            _log.exception("a channel broke")
            raise DeliveryUnreachable(f"the channel broke: {type(exc).__name__}") from exc

    async def _postpone(self, delivery: Delivery, reason: str) -> None:
        self._count(failed_tries=1)
        self._done = replace(self._done, last_failure=f"{delivery.recipient}: {reason}")
        tries = delivery.attempts + 1
        retry_at = self._clock.now() + self._wait_after(tries)
        _log.warning("message not delivered", extra={
            "recipient": delivery.recipient, "delivery": delivery.id, "attempts": tries,
            "reason": reason,
        })
        too_late = retry_at - delivery.created > self._settings.give_up_after
        if too_late or tries >= self._settings.attempts:
            await self._give_up(delivery, reason)
        else:
            await self._finish(
                delivery, DeliveryOutcome.RETRY, retry_at=retry_at, detail=reason
            )

    async def _give_up(self, delivery: Delivery, reason: str) -> None:
        """Tell first, close then: a crash in between tells twice, the other way round never."""
        await self._tell_given_up(delivery, reason, tries=delivery.attempts + 1)
        await self._finish(delivery, DeliveryOutcome.GIVEN_UP, detail=reason)
        self._count(given_up=1)
        self._done = replace(self._done, last_failure=f"{delivery.recipient}: {reason}")

    async def _tell_given_up(self, delivery: Delivery, reason: str, *, tries: int) -> None:
        now = self._clock.now()
        lasted = duration_text(max(now - delivery.created, 0))
        times = "1 try" if tries == 1 else f"{tries} tries in {lasted}"
        fact = FactNoted(
            time=now, site=self._policy.plant.site.id, fact=GIVEN_UP,
            text=(f"A message to {delivery.recipient} was given up after {times}: "
                  f"{reason}. It said: {delivery.subject}"),
            values={"recipient": delivery.recipient, "kind": delivery.kind, "tries": tries},
        )
        _log.error("message given up", extra={
            "recipient": delivery.recipient, "delivery": delivery.id, "reason": reason,
        })
        await self._tell(fact)

    async def _tell(self, fact: FactNoted) -> None:
        noted = self._note(fact)
        if noted is not None:
            await noted

    async def _tell_untold(self, lost: int, old: int) -> None:
        """Say of how many events nobody was told: ``lost`` were deleted, ``old`` are history."""
        causes = [
            (lost, "events-lost", "were deleted from the journal for want of room before anybody "
                                  "could be told of them"),
            (old, "events-not-told", "are too old to call anybody for: they were committed while "
                                     "no messages could be sent"),
        ]
        for count, fact, why in causes:
            if count:
                _log.error("events were not told", extra={"events": count, "fact": fact})
                await self._tell(FactNoted(
                    time=self._clock.now(), site=self._policy.plant.site.id, fact=fact,
                    text=f"{count} events {why}. Look at the board for what stands now.",
                    values={"events": count},
                ))

    async def _finish(self, delivery: Delivery, outcome: DeliveryOutcome, **more: Any) -> None:
        """Write the outcome, with patience: unwritten, the message would go again."""
        for left in reversed(range(_FINISH_TRIES)):
            try:
                await asyncio.to_thread(
                    self._store.finish, delivery.id, outcome, self._clock.now(), **more
                )
            except JournalError as exc:
                if self._stopping.is_set() or not left:
                    raise
                self._journal_trouble(exc)
                await self._pause(self._settings.poll, self._stopping)
            else:
                return

    async def _rest(self) -> None:
        """Wait for a wake-up, the end of a lane's rest, or the poll."""
        now = self._clock.now()
        ends = [t - now for t in self._resting.values() if t > now]
        await self._pause(min([self._settings.poll, *ends]), self._woken)

    async def _pause(self, duration: int, until: asyncio.Event) -> None:
        sleep = asyncio.ensure_future(self._clock.sleep(duration))
        wake = asyncio.ensure_future(until.wait())
        try:
            await asyncio.wait({sleep, wake}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            sleep.cancel()
            wake.cancel()
