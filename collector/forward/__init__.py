"""Publishing to other machines: settings, retry policy, rate limit, counts and checkpoints."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from collector.domain.events import Event, SystemEvent
from collector.domain.readings import Reading
from collector.domain.units import HOUR, MINUTE

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class RetryPolicy:
    """Intervals, sizes and waits of a forwarder. Durations in ms of the machine's clock.

    The wait after the n-th failure in a row is ``first_retry * 2**(n-1)``, at most
    ``longest_retry``, shortened by up to half at random: many sites must not connect to a
    returning server together.
    """

    flush: int = 5_000
    """Between two writes of live data."""
    first_retry: int = 5_000
    longest_retry: int = 300_000
    batch: int = 5_000
    """Lines in one request, at most."""
    read: int = 250
    """Commits read from the journal at once."""
    leap: int = 180
    """Commits of backlog above which the newest data goes first."""
    recent: int = 60
    """Commits of the backlog that then count as the newest."""
    settle: int = 30_000
    """Between two writes of the cursor: each wears the disk, and sending twice is harmless."""
    split_after: int = 4
    """Failures in a row after which a batch that the server fails on is sent line by line."""
    deadline: float = 60.0
    """Seconds that one request may take."""
    grace: float = 0.7
    """Seconds that a stop waits for a request under way."""


_SHORT_OUTAGE = MINUTE
"""ms of an outage that is not reported: brokers are restarted."""
_AGAIN = 6 * HOUR
"""ms after which an outage is reported again, so that the alarm does not end by itself."""


class Reachability:
    """Records events when a remote endpoint is unreachable for long, and when it is back.

    The condition ``delivery-failing`` evaluates these events. ``name`` is the endpoint's display
    name. ``failing`` is set after a restart if the outage had been reported: its end is to be, too.
    """

    def __init__(
        self, *, site: str, name: str, record_event: Callable[[SystemEvent], object],
    ) -> None:
        self._site, self.name, self._record_event = site, name, record_event
        self.why = ""
        """Why it is unreachable; empty while it is reachable."""
        self.failing = False
        """Whether the outage was reported, and its end not yet."""
        self._since: int | None = None
        self._reported: int | None = None

    def __repr__(self) -> str:
        return f"Reachability({self.name}, {self.why or 'well'})"

    def failed(self, now: int, why: str) -> None:
        """Record that an attempt failed at ``now`` (ms)."""
        self.why = why
        if self._since is None:
            self._since = now
        if now - self._since < _SHORT_OUTAGE or (
            self._reported is not None and now - self._reported < _AGAIN
        ):
            return
        self._reported, self.failing = now, True
        self._record_event(SystemEvent(
            time=now, site=self._site, fact="forwarding-not-through", values={"target": self.name},
            text=f"Nothing gets through to {self.name}: {why}. It is kept and sent later.",
        ))

    def reached(self, now: int) -> None:
        """Record that an attempt succeeded at ``now`` (ms)."""
        was_failing, self.failing = self.failing, False
        self.why, self._since, self._reported = "", None, None
        if was_failing:
            self._record_event(SystemEvent(
                time=now, site=self._site, fact="forwarding-resumed", values={"target": self.name},
                text=f"{self.name} is reached again; what was missed is being sent.",
            ))


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerSettings:
    """Address of the broker and our credentials. Without ``tls`` nothing is encrypted.

    ``ca`` is the authority that must have signed the broker's certificate (default: the machine's
    own list); ``certificate`` and ``key`` are ours.
    """

    host: str
    port: int
    tls: bool = False
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    ca: Path | None = None
    certificate: Path | None = None
    key: Path | None = None

    def __str__(self) -> str:
        return f"{'mqtts' if self.tls else 'mqtt'}://{self.host}:{self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class MqttSettings:
    """The broker and the names to publish under.

    ``primary_host`` names the host application without which nothing is published; ``backfill`` is
    the most readings of the past published per second.
    """

    broker: BrokerSettings
    fleet: str = "quietpipe"
    """The Sparkplug group."""
    events_prefix: str = "quietpipe"
    primary_host: str | None = None
    backfill: int = 1000

    @property
    def password(self) -> str | None:
        """The broker's password, ``None`` without one."""
        return self.broker.password


@dataclass(frozen=True, slots=True, kw_only=True)
class InfluxSettings:
    """The InfluxDB to forward to; ``database`` for v1, ``org`` and ``bucket`` for v2.

    ``ca`` is the authority that must have signed the server's certificate (default: the machine's
    own list); ``backfill`` is the most lines of the past sent per second.
    """

    api: str
    url: str
    org: str | None = None
    bucket: str | None = None
    database: str | None = None
    username: str | None = None
    token: str | None = field(default=None, repr=False)
    password: str | None = field(default=None, repr=False)
    ca: Path | None = None
    backfill: int = 2000


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
        """Restore what :meth:`dump` wrote; without it, nothing after ``position`` is published.

        The same holds where ``kept`` is damaged: what was published is then published again.
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
