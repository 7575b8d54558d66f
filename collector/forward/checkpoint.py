"""The journal as a forwarder reads it, and the checkpoint of what has been published.

What is live goes first; what was missed while the remote endpoint was unreachable is a gap behind
it, filled bit by bit. The journal's own cursor holds one position, so it is at the first gap,
and the checkpoint holds the rest.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping, Sequence
from typing import Protocol

from collector.domain.events import Event
from collector.domain.readings import Reading

__all__ = ["CommitStore", "KeptEvent", "Lost", "PublishCheckpoint", "StoredCommit"]

_log = logging.getLogger(__name__)


class Lost(Protocol):
    """Counts of what retention deleted before it was read."""

    @property
    def readings(self) -> int:
        """Number of readings."""

    @property
    def events(self) -> int:
        """Number of events."""


class KeptEvent(Protocol):
    """An event with its number in the journal."""

    @property
    def seq(self) -> int:
        """Number of the event, never used again."""

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
        """The commits that retention deleted just before this one."""


class CommitStore(Protocol):
    """The journal as a consumer uses it. Every method raises ``JournalError``."""

    @property
    def last_commit(self) -> int:
        """The number of the last commit."""

    def register(self, consumer: str) -> int:
        """Register a consumer, for which retention waits; return its position."""

    def forget(self, consumer: str) -> None:
        """Remove a consumer; retention no longer waits for it."""

    def after(self, position: int, limit: int) -> Sequence[StoredCommit]:
        """Return up to ``limit`` commits after ``position``, in order, none skipped."""

    def settle(self, consumer: str, position: int) -> None:
        """Advance the consumer's cursor."""

    def meta(self, key: str) -> str | None:
        """Return the value stored under ``key``."""

    def commit(
        self, readings: Sequence[Reading], events: Sequence[Event], *,
        meta: Mapping[str, str] | None = None,
    ) -> int:
        """Store readings, events and ``meta`` in one transaction; return its number."""


class PublishCheckpoint:
    """Commits published and still to publish. ``gaps`` are ``(after, upto)``, oldest first."""

    def __init__(
        self, live: int, gaps: list[tuple[int, int]] | None = None, events: int = 0,
    ) -> None:
        self.live = live
        """The last commit published live."""
        self.events = events
        """The highest number of a published event; 0 for none."""
        self.gaps = gaps if gaps is not None else []

    def __repr__(self) -> str:
        return f"PublishCheckpoint(live {self.live}, {self.behind} commits behind)"

    @classmethod
    def load(cls, kept: str | None, position: int) -> PublishCheckpoint:
        """Restore what :meth:`dump` wrote; without it, all after ``position`` is to publish.

        So it is when ``kept`` is damaged: what was published before is published again.
        """
        if kept is None:
            return cls(position)
        try:
            state = json.loads(kept)
            return cls(int(state["live"]), [(int(a), int(b)) for a, b in state["holes"]],
                       int(state.get("events", 0)))
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            _log.error("the checkpoint of what is published is damaged: %r", error)
            return cls(position)

    def dump(self) -> str:
        """Return the state as text for the journal's meta."""
        return json.dumps({"live": self.live, "holes": self.gaps, "events": self.events},
                          separators=(",", ":"))

    @property
    def watermark(self) -> int:
        """The commit up to which everything is published."""
        return self.gaps[0][0] if self.gaps else self.live

    @property
    def behind(self) -> int:
        """Number of commits in the gaps, counting empty ones."""
        return sum(upto - after for after, upto in self.gaps)

    def skip_to(self, head: int) -> None:
        """Leave the commits between the last published one and ``head`` for later."""
        if head > self.live:
            if self.gaps and self.gaps[-1][1] == self.live:  # nothing was published in between
                self.gaps[-1] = (self.gaps[-1][0], head)
            else:
                self.gaps.append((self.live, head))
            self.live = head

    def published(self, number: int) -> None:
        """Record that a live commit was published."""
        self.live = max(self.live, number)

    def gap_filled(self, upto: int) -> None:
        """Record that the first gap is filled up to a commit."""
        _, end = self.gaps[0]
        if upto >= end:
            del self.gaps[0]
        else:
            self.gaps[0] = (upto, end)
