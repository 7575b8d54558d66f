"""How patient the delivery worker is, and what it has done."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

__all__ = ["OutboxSettings", "OutboxStatistics", "Tally"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxSettings:
    """How long and how often to try. Durations in ms of the injected clock, unless said.

    The wait after the n-th failure is ``first_retry * 2**(n-1)``, at most ``longest_retry``, less
    up to half of it by chance: many sites must not knock at a returning server together. A message
    is given up after ``attempts`` tries, or ``give_up_after`` from when it was written.

    In seconds of real time, since the far end does not live on our clock: ``timeout`` is how long
    a socket may stay quiet, ``deadline`` how long one try may last, ``grace`` how long a stop
    waits for what is on the wire.
    """

    first_retry: int = 15_000
    longest_retry: int = 900_000
    attempts: int = 120
    give_up_after: int = 86_400_000
    poll: int = 5_000
    batch: int = 200
    timeout: float = 15.0
    deadline: float = 90.0
    grace: float = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxStatistics:
    """What the worker has done since it started. Instants in ms since 1970 UTC."""

    position: int = 0
    """Number of the last commit whose events were decided on."""
    decided: int = 0
    delivered: int = 0
    failed_tries: int = 0
    given_up: int = 0
    uncertain: int = 0
    """Messages cut off by a crash twice: closed without knowing whether they arrived."""
    on_the_wire: int = 0
    resting: Mapping[str, int] = field(default_factory=dict)
    """Recipients whose lane rests after failures, and until when."""
    last_delivered: int | None = None
    last_failure: str = ""
    journal_errors: int = 0


class Tally:
    """The statistics as they grow. Touched in the event loop only."""

    def __init__(self) -> None:
        self.so_far = OutboxStatistics()

    def __repr__(self) -> str:
        return f"Tally({self.so_far})"

    def add(self, **more: int) -> None:
        """Add to counts."""
        self.put(**{name: getattr(self.so_far, name) + n for name, n in more.items()})

    def put(self, **values: Any) -> None:
        """Replace values."""
        self.so_far = replace(self.so_far, **values)
