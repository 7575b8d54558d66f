"""Messages of events that the journal cannot keep: sent from memory, each once, and marked."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from collector.clock import Clock
from collector.domain.errors import DeliveryError
from collector.domain.events import Event
from collector.domain.messages import Delivery, NewDelivery
from collector.notify.calls import decide
from collector.notify.delivery import SendAbandoned, Sender, pause
from collector.notify.policy import Policy

_MARK = "Not journalled: "
_WORDS = ("The collector cannot write its journal, for instance because its disk is full. This "
          "message is sent from memory. It is sent again once the journal can be written.")
_TRIES = 5

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class _InMemory:
    """An event without a number in the journal."""

    event: Event
    seq: int = 0


class UnjournalledMessages:
    """Decides on and sends messages while the journal cannot be written.

    Who is called, when, and what is bundled follow the same policy as ever, from the last state
    that the journal has. Once it can be written, the outbox sends the same events again.
    """

    def __init__(self, sender: Sender, clock: Clock) -> None:
        self._sender, self._clock = sender, clock
        self._state: Mapping[str, Any] | None = None
        self._tasks: set[asyncio.Task[None]] = set()

    def __repr__(self) -> str:
        return f"UnjournalledMessages({len(self._tasks)} on their way)"

    def send(self, policy: Policy, state: Mapping[str, Any], events: Sequence[Event]) -> None:
        """Apply further events, each once, and send what is due. To be called in the event loop.

        ``state`` is the outbox's, used at the first call since :meth:`end`.
        """
        decided = decide(policy, self._state if self._state is not None else state,
                         [_InMemory(event) for event in events], self._clock.now())
        self._state = decided.state
        for message in decided.deliveries:
            task = asyncio.create_task(self._deliver(policy, message), name="deliver from memory")
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    def end(self) -> None:
        """Forget what was decided: the journal can be written again."""
        self._state = None

    async def _deliver(self, policy: Policy, new: NewDelivery) -> None:
        recipient = policy.recipient(new.recipient)
        if recipient is None:
            return
        marked = not recipient.wants_events  # the body of a web hook is the event itself
        message = Delivery(
            id=0, recipient=new.recipient, subject=_MARK + new.subject,
            body=f"{_WORDS}\n\n{new.body}" if marked else new.body, event_seq=0,
            created=self._clock.now(), due=new.due, kind=new.kind)
        for failures in range(1, _TRIES + 1):
            try:
                await self._sender.send(recipient, message)
            except SendAbandoned:
                return
            except DeliveryError as error:
                _log.error("a message sent from memory failed", extra={
                    "recipient": recipient.id, "attempts": failures, "reason": str(error)})
                await pause(self._clock, self._sender.wait_after(failures), self._sender.stopping)
            else:
                _log.warning("a message was sent from memory", extra={"recipient": recipient.id})
                return
