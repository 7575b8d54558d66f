"""How a way out is doing, and how patient it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from collector.domain.events import FactNoted

__all__ = ["ForwardStatistics", "Patience", "Reach"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ForwardStatistics:
    """What one way out has done since it started. Instants in ms since 1970 UTC."""

    target: str
    on: bool = False
    """Whether the site file asks for it."""
    reachable: bool = True
    """Whether the last try succeeded; true as long as none was made."""
    sent: int = 0
    """Points the far end has taken."""
    withheld: int = 0
    """Readings without a value to trust, which are not forwarded."""
    too_old: int = 0
    """Points the far end does not keep because of their age."""
    aside: int = 0
    """Points set aside because they cannot be delivered."""
    failed_tries: int = 0
    behind: int = 0
    """Commits that the newest data is behind the journal."""
    missing: int = 0
    """Commits of an outage that are still to be made up for."""
    lost: int = 0
    """Readings and events that the journal had to delete before they could be sent."""
    last_sent: int | None = None
    why: str = ""
    """Why the last try failed; empty when it succeeded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """How long and how often. Durations in ms, of the machine's clock.

    The wait after the n-th failure in a row is ``first_retry * 2**(n-1)``, at most
    ``longest_retry``, less up to half of it by chance: many sites must not knock at a returning
    server together.
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
    """Commits of backlog from which on the newest data goes first."""
    recent: int = 60
    """How many commits of the backlog then count as the newest."""
    settle: int = 30_000
    """Between two writes of the cursor: each wears the disk, and sending twice is harmless."""
    doubt: int = 4
    """Failures in a row after which a server that breaks on a batch is asked line by line."""
    deadline: float = 60.0
    """Seconds that one request may last."""
    grace: float = 0.7
    """Seconds that a stop waits for what is on the wire."""


_PATIENCE = 60_000
"""ms that a far end may be away without a word: brokers are restarted."""
_AGAIN = 6 * 3_600_000
"""ms after which it is told again, so that the alarm does not end by itself."""


class Reach:
    """Notes facts about one far end. ``note`` takes each fact; ``name`` is how people know it.

    ``failing`` may be set after a restart: that it had been told, so that its end is told too.
    """

    def __init__(self, *, site: str, name: str, note: Callable[[FactNoted], object]) -> None:
        self._site, self.name, self._note = site, name, note
        self.why = ""
        """Why it cannot be reached; empty while it can."""
        self.failing = False
        """Whether it has been told that nothing gets through, and not yet that it does again."""
        self._since: int | None = None
        self._told: int | None = None

    def __repr__(self) -> str:
        return f"Reach({self.name}, {self.why or 'well'})"

    def failed(self, now: int, why: str) -> None:
        """Take in that a try failed at ``now`` (ms)."""
        self.why = why
        if self._since is None:
            self._since = now
        if now - self._since < _PATIENCE or (
            self._told is not None and now - self._told < _AGAIN
        ):
            return
        self._told, self.failing = now, True
        self._note(FactNoted(
            time=now, site=self._site, fact="forwarding-not-through", values={"target": self.name},
            text=f"Nothing gets through to {self.name}: {why}. It is kept and sent later.",
        ))

    def reached(self, now: int) -> None:
        """Take in that it was reached."""
        told, self.failing = self.failing, False
        self.why, self._since, self._told = "", None, None
        if told:
            self._note(FactNoted(
                time=now, site=self._site, fact="forwarding-resumed", values={"target": self.name},
                text=f"{self.name} is reached again; what was missed is being sent.",
            ))
