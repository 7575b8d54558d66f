"""Attempts to send a message: recorded in the journal before and after each one."""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Protocol

from collector.clock import Clock
from collector.domain.errors import (
    DeliveryError,
    DeliveryRefused,
    DeliveryUncertain,
    DeliveryUnreachable,
    JournalError,
)
from collector.domain.events import SystemEvent
from collector.domain.messages import REPORT, Delivery, DeliveryOutcome, NewDelivery
from collector.domain.units import DAY, duration_text
from collector.notify import Message
from collector.notify.channels import Channel
from collector.notify.policy import GIVEN_UP, NOT_THROUGH, RESUMED, NumberedEvent
from collector.notify.recipients import Recipient


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxSettings:
    """Retry policy of messages. Durations in ms of the injected clock, unless said.

    The wait after the n-th failure is ``first_retry * 2**(n-1)``, at most ``longest_retry``,
    shortened by up to half at random: many sites must not connect to a returning server together.
    A message is given up after ``attempts`` attempts, or ``give_up_after`` from its creation; one
    that the server refuses after ``attempts_refused`` attempts, which takes some minutes: a server
    that is being set up refuses too. One that may have arrived is repeated once.

    In seconds of real time, since the server does not run on our clock: ``timeout`` limits a socket
    without data, ``deadline`` one attempt, ``grace`` the wait of a stop for a message being sent.
    """

    first_retry: int = 15_000
    longest_retry: int = 900_000
    attempts: int = 120
    attempts_refused: int = 5
    give_up_after: int = DAY
    fold_above: int = 50
    """Messages due to one person above which one message stands for the older ones."""
    fold_keep: int = 20
    poll: int = 5_000
    batch: int = 200
    timeout: float = 15.0
    deadline: float = 90.0
    grace: float = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxStatistics:
    """Counts of the worker since its start. Instants in ms since 1970 UTC."""

    position: int = 0
    """Number of the last commit whose events were processed."""
    decided: int = 0
    delivered: int = 0
    failed_tries: int = 0
    given_up: int = 0
    uncertain: int = 0
    """Messages cut off by a crash twice: closed, and it is not known whether they arrived."""
    on_the_wire: int = 0
    resting: Mapping[str, int] = field(default_factory=dict)
    """Recipients whose queue waits after failures, and until when."""
    last_delivered: int | None = None
    last_failure: str = ""
    journal_errors: int = 0


class OutboxCounters:
    """Running counts of the outbox. Changed in the event loop only."""

    def __init__(self) -> None:
        self.so_far = OutboxStatistics()

    def __repr__(self) -> str:
        return f"OutboxCounters({self.so_far})"

    def add(self, **more: int) -> None:
        self.put(**{name: getattr(self.so_far, name) + n for name, n in more.items()})

    def put(self, **values: Any) -> None:
        self.so_far = replace(self.so_far, **values)


class LostCommits(Protocol):
    """A gap of the journal, as the outbox uses it."""

    @property
    def events(self) -> int:
        """Number of events deleted unread."""


class CommitOfEvents(Protocol):
    """A commit of the journal, as the outbox uses it."""

    @property
    def number(self) -> int:
        """Number of the commit; commits are read in this order."""

    @property
    def events(self) -> Sequence[NumberedEvent]:
        """The events committed, each with its own number."""

    @property
    def gap(self) -> LostCommits | None:
        """The commits that retention deleted before this consumer read them."""


class DeliveryStore(Protocol):
    """The journal as the outbox uses it. Calls block and are made in a thread.

    Every method raises ``JournalError``.
    """

    def position(self, consumer: str) -> int:
        """Return the number of the last commit this consumer has settled."""

    def after(self, position: int, limit: int) -> Sequence[CommitOfEvents]:
        """Return up to ``limit`` commits after ``position``, in order, none skipped."""

    def settle(
        self, consumer: str, position: int, *, deliveries: Sequence[NewDelivery] = (),
        meta: Mapping[str, str] | None = None,
    ) -> None:
        """Move the cursor, enqueue deliveries and store ``meta``, in one transaction."""

    def meta(self, key: str) -> str | None:
        """Return the value stored under a key, or ``None``."""

    def due_deliveries(self, now: int, limit: int) -> Sequence[Delivery]:
        """Return deliveries that are due now, oldest first."""

    def crowded(self, now: int, most: int) -> Sequence[str]:
        """Return the recipients for whom more than ``most`` messages are due."""

    def fold(
        self, recipient: str, keep: int, now: int,
        summary: Callable[[Sequence[Delivery], int], NewDelivery],
    ) -> int:
        """Let one message stand for all that are due but the ``keep`` newest alarms."""

    def begin(self, delivery_id: int, now: int) -> None:
        """Record that an attempt begins, before anything is sent."""

    def finish(
        self, delivery_id: int, outcome: DeliveryOutcome, now: int, *,
        retry_at: int | None = None, detail: str = "",
    ) -> None:
        """Record the outcome of an attempt."""

    def recover(self, now: int) -> Sequence[Delivery]:
        """Queue attempts that never ended once more, marked uncertain.

        Returns those that were uncertain already, which are closed.
        """


RecordEvent = Callable[[SystemEvent], Awaitable[None] | None]
"""Records an event of the outbox's own; may be a coroutine function."""

_FINISH_TRIES = 20
"""Attempts to record an outcome; after them a restart sends the message once more."""

_UNREACHABLE = 3
"""Failures in a row that count as unreachable: a mail server that greylists fails twice."""

_log = logging.getLogger(__name__)


class SendAbandoned(Exception):  # noqa: N818 - not an error: the stop came first
    """The stop did not wait for this attempt; the journal has it as begun."""


async def pause(clock: Clock, duration: int, until: asyncio.Event) -> None:
    """Wait ``duration`` ms, or less when ``until`` is set."""
    sleep = asyncio.ensure_future(clock.sleep(duration))
    wake = asyncio.ensure_future(until.wait())
    try:
        await asyncio.wait({sleep, wake}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        sleep.cancel()
        wake.cancel()


class Sender:
    """Sends messages. ``stopping`` ends its waits, ``expired`` abandons a message being sent."""

    def __init__(
        self, *, store: DeliveryStore, clock: Clock, record_event: RecordEvent,
        settings: OutboxSettings, channel: Callable[[Recipient], Channel], rng: random.Random,
        counters: OutboxCounters, site: str, files: Path | None = None,
    ) -> None:
        self._store, self._clock, self._settings = store, clock, settings
        self._channel, self._random, self._counters = channel, rng, counters
        self._site, self._record_event, self._files = site, record_event, files
        self._failed: dict[str, int] = {}
        """Failures in a row, by recipient."""
        self.stopping = asyncio.Event()
        self.expired = asyncio.Event()

    def __repr__(self) -> str:
        return f"Sender({self._counters.so_far.on_the_wire} on the wire)"

    def wait_after(self, failures: int) -> int:
        """Return the ms to wait after so many failures: doubled each time, less a random part."""
        doubled: int = self._settings.first_retry << min(failures - 1, 30)
        longest = min(doubled, self._settings.longest_retry)
        return longest - int(self._random.random() * longest / 2)

    async def deliver(self, delivery: Delivery, recipient: Recipient | None) -> bool:
        """Attempt one message; return whether the next one to the recipient may follow.

        ``recipient`` is ``None`` when the site file no longer has it. Raises
        :class:`SendAbandoned`, or ``JournalError`` when the attempt could not be recorded.
        """
        await asyncio.to_thread(self._store.begin, delivery.id, self._clock.now())
        if recipient is None:
            await self._give_up(delivery, "the site file has no such recipient any more")
            return True
        try:
            await self.send(recipient, delivery)
        except DeliveryUncertain as exc:
            await self._repeat(delivery, str(exc))
            return False
        except DeliveryError as exc:
            most = self._settings.attempts_refused if isinstance(exc, DeliveryRefused) \
                else self._settings.attempts
            await self._postpone(delivery, str(exc), most)
            return False
        await self._finish(delivery, DeliveryOutcome.DELIVERED)
        if self._failed.pop(recipient.id, 0) >= _UNREACHABLE:
            await self._report_reachability(delivery, RESUMED,
                                            f"Messages reach {recipient.id} again.")
        self._counters.add(delivered=1)
        self._counters.put(last_delivered=self._clock.now())
        _log.info("message delivered", extra={
            "recipient": recipient.id, "delivery": delivery.id, "attempts": delivery.attempts + 1,
        })
        return True

    async def send(self, recipient: Recipient, delivery: Delivery) -> None:
        """Send one message; raise ``DeliveryError``, or ``SendAbandoned`` on a stop."""
        message = Message(subject=delivery.subject, body=delivery.body,
                          attachment=self._attachment(delivery))
        if delivery.uncertain and not recipient.wants_events:
            message = message.as_repeat()
        sending = asyncio.ensure_future(self._channel(recipient).send(recipient, message))
        expired = asyncio.ensure_future(self.expired.wait())
        self._counters.add(on_the_wire=1)
        try:
            await asyncio.wait({sending, expired}, timeout=self._settings.deadline,
                               return_when=asyncio.FIRST_COMPLETED)
            if not sending.done():
                if self.expired.is_set():
                    raise SendAbandoned
                raise DeliveryUnreachable(f"no end within {self._settings.deadline:g} s")
            await self._result(sending)
        finally:
            self._counters.add(on_the_wire=-1)
            sending.cancel()
            expired.cancel()

    def _attachment(self, delivery: Delivery) -> Path | None:
        """Return the file that the delivery's kind names, in the folder of reports."""
        mark, _, name = delivery.kind.partition(":")
        if mark != REPORT or self._files is None or Path(name).name != name:
            return None
        return self._files / name

    @staticmethod
    async def _result(sending: asyncio.Future[None]) -> None:
        try:
            await sending
        except DeliveryError:
            raise
        except Exception as exc:
            # A fault of ours in a channel: the message must not be lost because of it.
            _log.exception("a channel broke")
            raise DeliveryUnreachable(f"the channel broke: {type(exc).__name__}") from exc

    async def _repeat(self, delivery: Delivery, reason: str) -> None:
        """Send once more what may have arrived; what may have arrived twice is closed."""
        self._counters.add(failed_tries=1)
        self._counters.put(last_failure=f"{delivery.recipient}: {reason}")
        if delivery.uncertain:
            await self.report_given_up(delivery, f"{reason}, twice; it may have arrived",
                                       tries=delivery.attempts + 1)
            await self._finish(delivery, DeliveryOutcome.UNCERTAIN, detail=reason)
            self._counters.add(uncertain=1)
            return
        retry_at = self._clock.now() + self.wait_after(delivery.attempts + 1)
        await self._finish(delivery, DeliveryOutcome.REPEAT, retry_at=retry_at, detail=reason)

    async def _postpone(self, delivery: Delivery, reason: str, most: int) -> None:
        self._counters.add(failed_tries=1)
        self._counters.put(last_failure=f"{delivery.recipient}: {reason}")
        tries = delivery.attempts + 1
        retry_at = self._clock.now() + self.wait_after(tries)
        failed = self._failed[delivery.recipient] = self._failed.get(delivery.recipient, 0) + 1
        if failed == _UNREACHABLE:
            await self._report_reachability(delivery, NOT_THROUGH,
                                   f"Messages do not reach {delivery.recipient}: {reason}")
        _log.warning("message not delivered", extra={
            "recipient": delivery.recipient, "delivery": delivery.id, "attempts": tries,
            "reason": reason,
        })
        too_late = retry_at - delivery.created > self._settings.give_up_after
        if too_late or tries >= most:
            await self._give_up(delivery, reason)
        else:
            await self._finish(
                delivery, DeliveryOutcome.RETRY, retry_at=retry_at, detail=reason
            )

    async def _give_up(self, delivery: Delivery, reason: str) -> None:
        """Report first, then close: a crash in between reports twice, and never not at all."""
        self._failed[delivery.recipient] = _UNREACHABLE + 1  # reported, by what follows
        await self.report_given_up(delivery, reason, tries=delivery.attempts + 1)
        await self._finish(delivery, DeliveryOutcome.GIVEN_UP, detail=reason)
        self._counters.add(given_up=1)
        self._counters.put(last_failure=f"{delivery.recipient}: {reason}")

    async def report_given_up(self, delivery: Delivery, reason: str, *, tries: int) -> None:
        """Record that a message was given up, with the reason and its subject."""
        now = self._clock.now()
        lasted = duration_text(max(now - delivery.created, 0))
        times = "1 try" if tries == 1 else f"{tries} tries in {lasted}"
        fact = SystemEvent(
            time=now, site=self._site, fact=GIVEN_UP,
            text=(f"A message to {delivery.recipient} was given up after {times}: "
                  f"{reason}. It said: {delivery.subject}"),
            values={"recipient": delivery.recipient, "kind": delivery.kind, "tries": tries},
        )
        _log.error("message given up", extra={
            "recipient": delivery.recipient, "delivery": delivery.id, "reason": reason,
        })
        await self.record_event(fact)

    async def _report_reachability(self, delivery: Delivery, fact: str, text: str) -> None:
        await self.record_event(SystemEvent(
            time=self._clock.now(), site=self._site, fact=fact, text=text,
            values={"recipient": delivery.recipient},
        ))

    async def record_event(self, fact: SystemEvent) -> None:
        recorded = self._record_event(fact)
        if recorded is not None:
            await recorded

    def journal_trouble(self, exc: JournalError) -> None:
        """Count and log an error of the journal."""
        self._counters.add(journal_errors=1)
        _log.error("the outbox could not use the journal", extra={"reason": str(exc)})

    async def _finish(self, delivery: Delivery, outcome: DeliveryOutcome, **more: Any) -> None:
        """Write the outcome, with several tries: without it the message would be sent again."""
        for left in reversed(range(_FINISH_TRIES)):
            try:
                await asyncio.to_thread(
                    self._store.finish, delivery.id, outcome, self._clock.now(), **more
                )
            except JournalError as exc:
                if self.stopping.is_set() or not left:
                    raise
                self.journal_trouble(exc)
                await pause(self._clock, self._settings.poll, self.stopping)
            else:
                return
