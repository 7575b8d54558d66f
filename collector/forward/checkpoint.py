"""What a forwarder asks of the journal, and of what it gives."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Protocol

from collector.domain.events import Event
from collector.domain.readings import Reading

__all__ = ["CommitStore", "KeptEvent", "Ledger", "Lost", "StoredCommit"]


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


class Ledger:
    """Commit numbers told and still to be told. ``holes`` are ``(after, upto)``, oldest first."""

    def __init__(
        self, live: int, holes: list[tuple[int, int]] | None = None, events: int = 0,
    ) -> None:
        self.live = live
        """The last commit told live."""
        self.events = events
        """The highest number of an event that was told; 0 for none."""
        self.holes = holes if holes is not None else []

    def __repr__(self) -> str:
        return f"Ledger(live {self.live}, {self.behind} commits behind)"

    @classmethod
    def load(cls, kept: str | None, position: int) -> Ledger:
        """Read what :meth:`dump` wrote; without it everything after ``position`` is untold."""
        if kept is None:
            return cls(position)
        said = json.loads(kept)
        return cls(int(said["live"]), [(int(a), int(b)) for a, b in said["holes"]],
                   int(said.get("events", 0)))

    def dump(self) -> str:
        """Return it as text for the journal's meta."""
        return json.dumps({"live": self.live, "holes": self.holes, "events": self.events},
                          separators=(",", ":"))

    @property
    def settled(self) -> int:
        """The commit up to which nothing is missing."""
        return self.holes[0][0] if self.holes else self.live

    @property
    def behind(self) -> int:
        """How many commits the holes hold, counting empty ones."""
        return sum(upto - after for after, upto in self.holes)

    def skip_to(self, head: int) -> None:
        """Leave what lies between the last commit told and ``head`` for later."""
        if head > self.live:
            if self.holes and self.holes[-1][1] == self.live:  # nothing was told in between
                self.holes[-1] = (self.holes[-1][0], head)
            else:
                self.holes.append((self.live, head))
            self.live = head

    def told(self, number: int) -> None:
        """Take in that a live commit was told."""
        self.live = max(self.live, number)

    def filled(self, upto: int) -> None:
        """Take in that the first hole is filled up to a commit."""
        _, end = self.holes[0]
        if upto >= end:
            del self.holes[0]
        else:
            self.holes[0] = (upto, end)
