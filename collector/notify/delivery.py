"""One message, one try: begin in the journal, put it on the wire, write how that ended."""

from __future__ import annotations

import asyncio
import logging
import random
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Protocol

from collector.clock import Clock
from collector.domain.deliveries import REPORT, Delivery, DeliveryOutcome, NewDelivery
from collector.domain.errors import (
    DeliveryError,
    DeliveryRefused,
    DeliveryUnreachable,
    JournalError,
)
from collector.domain.events import FactNoted
from collector.notify.channels import Channel
from collector.notify.message import Message, duration_text
from collector.notify.policy import GIVEN_UP, NOT_THROUGH, RESUMED, NumberedEvent
from collector.notify.recipients import Recipient

__all__ = [
    "Abandoned",
    "CommitOfEvents",
    "DeliveryStore",
    "LostCommits",
    "Note",
    "OutboxSettings",
    "OutboxStatistics",
    "Sender",
    "Tally",
    "pause",
]


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


class Tally:
    """The statistics as they grow. Touched in the event loop only."""

    def __init__(self) -> None:
        self.so_far = OutboxStatistics()

    def __repr__(self) -> str:
        return f"Tally({self.so_far})"

    def add(self, **more: int) -> None:
        """Add to counts."""
        self.put(**{name: getattr(self.so_far, name) + n for name, n in more.items()})

    def put(self, **values: Any) -> None:
        """Replace values."""
        self.so_far = replace(self.so_far, **values)


class LostCommits(Protocol):
    """What is needed of a gap."""

    @property
    def events(self) -> int:
        """How many events were deleted unread."""


class CommitOfEvents(Protocol):
    """What is needed of one commit of the journal."""

    @property
    def number(self) -> int:
        """Its number; commits are read in this order."""

    @property
    def events(self) -> Sequence[NumberedEvent]:
        """The events committed, each with its own number."""

    @property
    def gap(self) -> LostCommits | None:
        """What was deleted for want of room before this consumer could read it."""


class DeliveryStore(Protocol):
    """The journal, as far as deliveries go. All of it blocks, so all of it is called in a thread.

    Everything raises ``JournalError`` when the journal cannot do it.
    """

    def position(self, consumer: str) -> int:
        """Return the number of the last commit this consumer has settled."""

    def after(self, position: int, limit: int) -> Sequence[CommitOfEvents]:
        """Return the next commits, oldest first."""

    def settle(
        self, consumer: str, position: int, *, deliveries: Sequence[NewDelivery] = (),
        meta: Mapping[str, str] | None = None,
    ) -> None:
        """Move the cursor, enqueue deliveries and keep ``meta``, in one transaction."""

    def meta(self, key: str) -> str | None:
        """Return what was kept under a key, or ``None``."""

    def due_deliveries(self, now: int, limit: int) -> Sequence[Delivery]:
        """Return deliveries that may be tried now, oldest first."""

    def begin(self, delivery_id: int, now: int) -> None:
        """Write that a try begins, before anything leaves the process."""

    def finish(
        self, delivery_id: int, outcome: DeliveryOutcome, now: int, *,
        retry_at: int | None = None, detail: str = "",
    ) -> None:
        """Write how the try ended."""

    def recover(self, now: int) -> Sequence[Delivery]:
        """Take up what was begun and never finished: once more, marked uncertain.

        Returns those that were uncertain already: closed, and never tried again.
        """


Note = Callable[[FactNoted], Awaitable[None] | None]
"""Takes a fact worth telling; may be a coroutine function."""

_FINISH_TRIES = 20
"""Tries to write an outcome; then the message stays begun, and a restart takes it up."""

_OUT_OF_REACH = 3
"""Failures in a row that count as being out of reach: a mail server that greylists fails twice."""

_log = logging.getLogger(__name__)


class Abandoned(Exception):  # noqa: N818 - not an error: the stop came first
    """The stop did not wait for this try; the journal still says that it was begun."""


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
    """Tries messages. ``stopping`` ends its waits, ``expired`` leaves what is on the wire there."""

    def __init__(
        self, *, store: DeliveryStore, clock: Clock, note: Note, settings: OutboxSettings,
        channel: Callable[[Recipient], Channel], rng: random.Random, tally: Tally, site: str,
        files: Path | None = None,
    ) -> None:
        self._store, self._clock, self._settings = store, clock, settings
        self._channel, self._random, self._tally = channel, rng, tally
        self._site, self._note, self._files = site, note, files
        self._failed: dict[str, int] = {}
        """Recipients out of reach, with their failures in a row."""
        self.stopping = asyncio.Event()
        self.expired = asyncio.Event()

    def __repr__(self) -> str:
        return f"Sender({self._tally.so_far.on_the_wire} on the wire)"

    def wait_after(self, failures: int) -> int:
        """Return ms to wait after so many failures in a row: doubled each time, less chance."""
        doubled: int = self._settings.first_retry << min(failures - 1, 30)
        longest = min(doubled, self._settings.longest_retry)
        return longest - int(self._random.random() * longest / 2)

    async def deliver(self, delivery: Delivery, recipient: Recipient | None) -> bool:
        """Try one message; return whether the far end is fit for the next one.

        ``recipient`` is ``None`` when there is none of that id any more. Raises
        :class:`Abandoned`, or ``JournalError`` when the try or its end could not be written.
        """
        await asyncio.to_thread(self._store.begin, delivery.id, self._clock.now())
        if recipient is None:
            await self._give_up(delivery, "the site file has no such recipient any more")
            return True
        try:
            await self._send(recipient, delivery)
        except DeliveryRefused as exc:
            self._tally.add(failed_tries=1)
            await self._give_up(delivery, str(exc))
            return True
        except DeliveryError as exc:
            await self._postpone(delivery, str(exc))
            return False
        await self._finish(delivery, DeliveryOutcome.DELIVERED)
        if self._failed.pop(recipient.id, 0) >= _OUT_OF_REACH:
            await self._tell_reach(delivery, RESUMED, f"Messages reach {recipient.id} again.")
        self._tally.add(delivered=1)
        self._tally.put(last_delivered=self._clock.now())
        _log.info("message delivered", extra={
            "recipient": recipient.id, "delivery": delivery.id, "attempts": delivery.attempts + 1,
        })
        return True

    async def _send(self, recipient: Recipient, delivery: Delivery) -> None:
        """Put one message on the wire; raises ``DeliveryError``, or ``Abandoned`` on a stop."""
        message = Message(subject=delivery.subject, body=delivery.body,
                          attachment=self._attachment(delivery))
        if delivery.uncertain and not recipient.wants_events:
            message = message.as_repeat()
        sending = asyncio.ensure_future(self._channel(recipient).send(recipient, message))
        expired = asyncio.ensure_future(self.expired.wait())
        self._tally.add(on_the_wire=1)
        try:
            await asyncio.wait({sending, expired}, timeout=self._settings.deadline,
                               return_when=asyncio.FIRST_COMPLETED)
            if not sending.done():
                if self.expired.is_set():
                    raise Abandoned
                raise DeliveryUnreachable(f"no end within {self._settings.deadline:g} s")
            await self._result(sending)
        finally:
            self._tally.add(on_the_wire=-1)
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
            # A fault of ours in a channel: the message must not be lost for it.
            _log.exception("a channel broke")
            raise DeliveryUnreachable(f"the channel broke: {type(exc).__name__}") from exc

    async def _postpone(self, delivery: Delivery, reason: str) -> None:
        self._tally.add(failed_tries=1)
        self._tally.put(last_failure=f"{delivery.recipient}: {reason}")
        tries = delivery.attempts + 1
        retry_at = self._clock.now() + self.wait_after(tries)
        failed = self._failed[delivery.recipient] = self._failed.get(delivery.recipient, 0) + 1
        if failed == _OUT_OF_REACH:
            await self._tell_reach(delivery, NOT_THROUGH,
                                   f"Messages do not reach {delivery.recipient}: {reason}")
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
        self._failed[delivery.recipient] = _OUT_OF_REACH + 1  # already told, by what follows
        await self.tell_given_up(delivery, reason, tries=delivery.attempts + 1)
        await self._finish(delivery, DeliveryOutcome.GIVEN_UP, detail=reason)
        self._tally.add(given_up=1)
        self._tally.put(last_failure=f"{delivery.recipient}: {reason}")

    async def tell_given_up(self, delivery: Delivery, reason: str, *, tries: int) -> None:
        """Note that a message was given up, why, and what it said."""
        now = self._clock.now()
        lasted = duration_text(max(now - delivery.created, 0))
        times = "1 try" if tries == 1 else f"{tries} tries in {lasted}"
        fact = FactNoted(
            time=now, site=self._site, fact=GIVEN_UP,
            text=(f"A message to {delivery.recipient} was given up after {times}: "
                  f"{reason}. It said: {delivery.subject}"),
            values={"recipient": delivery.recipient, "kind": delivery.kind, "tries": tries},
        )
        _log.error("message given up", extra={
            "recipient": delivery.recipient, "delivery": delivery.id, "reason": reason,
        })
        await self.tell(fact)

    async def _tell_reach(self, delivery: Delivery, fact: str, text: str) -> None:
        await self.tell(FactNoted(
            time=self._clock.now(), site=self._site, fact=fact, text=text,
            values={"recipient": delivery.recipient},
        ))

    async def tell(self, fact: FactNoted) -> None:
        """Hand a fact on."""
        noted = self._note(fact)
        if noted is not None:
            await noted

    def journal_trouble(self, exc: JournalError) -> None:
        """Count and log that the journal could not be used."""
        self._tally.add(journal_errors=1)
        _log.error("the outbox could not use the journal", extra={"reason": str(exc)})

    async def _finish(self, delivery: Delivery, outcome: DeliveryOutcome, **more: Any) -> None:
        """Write the outcome, with patience: unwritten, the message would go again."""
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
