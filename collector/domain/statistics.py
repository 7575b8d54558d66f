"""Counts that one part of the daemon keeps and the board shows."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ForwardStatistics"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ForwardStatistics:
    """Counts of one forwarder since its start. Instants in ms since 1970 UTC."""

    target: str
    on: bool = False
    """Whether the site file configures it."""
    reachable: bool = True
    """Whether the last try succeeded; true as long as none was made."""
    sent: int = 0
    """Points the remote endpoint has accepted."""
    withheld: int = 0
    """Readings without a good value, which are not forwarded."""
    too_old: int = 0
    """Points the remote endpoint does not keep because of their age."""
    dead_letters: int = 0
    """Points that cannot be delivered, kept in a file."""
    failed_tries: int = 0
    behind: int = 0
    """Commits between the newest published one and the journal's newest."""
    missing: int = 0
    """Commits of an outage that are still to be published."""
    lost: int = 0
    """Readings and events that retention deleted before they were sent."""
    last_sent: int | None = None
    why: str = ""
    """Why the last try failed; empty when it succeeded."""
