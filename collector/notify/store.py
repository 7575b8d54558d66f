"""What the delivery worker asks of the journal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from collector.domain.deliveries import Delivery, DeliveryOutcome, NewDelivery
from collector.notify.policy import NumberedEvent

__all__ = ["CommitOfEvents", "DeliveryStore", "LostCommits"]


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
