"""What a forwarder asks of the journal, and of what it gives."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from collector.domain.events import Event
from collector.domain.readings import Reading

__all__ = ["CommitStore", "KeptEvent", "Lost", "StoredCommit"]


class Lost(Protocol):
    """What retention deleted before it could be read."""

    @property
    def readings(self) -> int:
        """How many readings."""

    @property
    def events(self) -> int:
        """How many events."""


class KeptEvent(Protocol):
    """An event with its number in the journal."""

    @property
    def seq(self) -> int:
        """Its number, never used again."""

    @property
    def event(self) -> Event:
        """The event."""


class StoredCommit(Protocol):
    """Readings and the events they caused."""

    @property
    def number(self) -> int:
        """The commit's number."""

    @property
    def readings(self) -> Sequence[Reading]:
        """Readings, in time order."""

    @property
    def events(self) -> Sequence[KeptEvent]:
        """Events, in their order."""

    @property
    def gap(self) -> Lost | None:
        """What is missing up to this commit."""


class CommitStore(Protocol):
    """The journal, as a consumer sees it. Everything raises ``JournalError``."""

    @property
    def last_commit(self) -> int:
        """The number of the last commit."""

    def register(self, consumer: str) -> int:
        """Make a consumer known, so that retention waits for it; return its position."""

    def forget(self, consumer: str) -> None:
        """Wait for a consumer no longer."""

    def after(self, position: int, limit: int) -> Sequence[StoredCommit]:
        """Return up to ``limit`` commits after ``position``, in order, none skipped."""

    def settle(self, consumer: str, position: int) -> None:
        """Advance the consumer's cursor."""

    def meta(self, key: str) -> str | None:
        """Return what was kept under ``key``."""

    def commit(
        self, readings: Sequence[Reading], events: Sequence[Event], *,
        meta: Mapping[str, str] | None = None,
    ) -> int:
        """Keep ``meta``."""
