"""Decides whether the monitor itself is alive, for /healthz and the board alike."""

from __future__ import annotations

from dataclasses import dataclass

from collector.domain.formatting import duration_text
from collector.web.services import CollectorStatistics

__all__ = ["Health", "check_health", "pace_of"]

_TURN_WITHIN = 15_000
"""ms of real time within which the rules must have run; they run every second."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """Whether the monitor is alive, and every reason why not."""

    alive: bool
    reasons: tuple[str, ...] = ()


def pace_of(clock: object) -> float:
    """Return how many times as fast as real time a clock runs.

    Liveness is a matter of real time: a delay of 15 s of the machine is 100 min on a clock that
    runs 400 times as fast.
    """
    return max(float(getattr(clock, "speed", 1.0)), 1.0)


def check_health(statistics: CollectorStatistics, now: int, pace: float = 1.0) -> Health:
    """Return whether the rules run and the journal can write. ``now`` in ms."""
    reasons = []
    longest = round(_TURN_WITHIN * pace)
    last = statistics.last_turn
    if last is None:
        reasons.append("the rules have not run since the collector started, "
                       f"{duration_text(now - statistics.started)} ago")
    elif now - last > longest:
        reasons.append(f"the rules last ran {duration_text(now - last)} ago")
    if statistics.journal_trouble:
        reasons.append(f"the journal cannot write: {statistics.journal_trouble}")
    return Health(alive=not reasons, reasons=tuple(reasons))
