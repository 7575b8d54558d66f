"""A remote endpoint: retry policy, rate limit, counts, and the events of its being unreachable."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from collector.domain.events import SystemEvent
from collector.domain.units import HOUR, MINUTE, SECOND

__all__ = ["RateLimiter", "Reachability", "RetryPolicy"]


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


class RateLimiter:
    """Limits how many items go out per second. ``burst`` (ms) of unused time may be made up for.

    All instants are in ms of one scale.
    """

    def __init__(self, now: int, *, burst: int = 0) -> None:
        self._free_at, self._burst = float(now), burst

    def wait(self, now: int) -> float:
        """Return the ms until the next items may go out; 0 or less when they may now."""
        return self._free_at - now

    def sent(self, count: int, now: int, per_second: int) -> None:
        """Record that ``count`` items went out at ``now``."""
        self._free_at = max(self._free_at, now - self._burst) + count * SECOND / per_second
