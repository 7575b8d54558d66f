"""The messages that wait in the journal, and what became of each attempt to send one."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from collector.domain.messages import Delivery, DeliveryOutcome, NewDelivery
from collector.journal import queries, writing
from collector.journal.connection import Database


class Deliveries:
    """The part of the journal that holds messages. Every method raises ``JournalError``."""

    _database: Database

    def recent_deliveries(self, limit: int) -> list[Delivery]:
        """Return the deliveries written last, newest first, without their bodies."""
        with self._database.reading() as db:
            return queries.recent_deliveries(db, limit)

    def due_deliveries(self, now: int, limit: int) -> list[Delivery]:
        """Return deliveries that are due now, oldest first."""
        with self._database.reading() as db:
            return writing.due_deliveries(db, now, limit)

    def crowded(self, now: int, most: int) -> list[str]:
        """Return the recipients for whom more than ``most`` messages are due."""
        with self._database.reading() as db:
            return writing.crowded(db, now, most)

    def fold(
        self, recipient: str, keep: int, now: int,
        summary: Callable[[Sequence[Delivery], int], NewDelivery],
    ) -> int:
        """Let one message stand for all that are due but the ``keep`` newest alarms.

        ``summary`` makes it from the newest of them and their number, which is returned.
        """
        with self._database.writing() as db:
            return writing.fold(db, recipient, keep, now, summary)

    def begin(self, delivery_id: int, now: int) -> None:
        """Record that an attempt begins, before anything is sent."""
        with self._database.writing() as db:
            writing.begin(db, delivery_id, now)

    def finish(
        self, delivery_id: int, outcome: DeliveryOutcome, now: int, *,
        retry_at: int | None = None, detail: str = "",
    ) -> None:
        """Record the outcome of an attempt; with ``RETRY`` the next one is at ``retry_at`` (ms)."""
        with self._database.writing() as db:
            writing.finish(db, delivery_id, outcome, now, retry_at=retry_at, detail=detail)

    def recover(self, now: int) -> list[Delivery]:
        """Queue attempts that began and never ended once more, marked uncertain.

        Returns those that were uncertain already, which are closed. To be called at the start,
        before any attempt begins.
        """
        with self._database.writing() as db:
            return writing.recover(db, now)
