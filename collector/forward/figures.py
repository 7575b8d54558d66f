"""How a way out is doing, and how patient it is."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ForwardStatistics", "Patience"]


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
