"""The result of one tick, and the receiver of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from collector.domain.evaluations import Evaluation
from collector.domain.events import EstimateMade, SystemEvent

__all__ = ["EngineStatistics", "StepListener", "StepResult"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineStatistics:
    """Counts since the engine was made; ``now`` is its time in ms."""

    now: int | None
    rules: int
    readings: int
    late: int
    repeated: int
    ticks: int
    evaluated: int
    clock_sets: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StepResult:
    """The result of one tick at ``at`` (ms)."""

    at: int
    changed: list[Evaluation]
    estimates: list[EstimateMade]
    facts: list[SystemEvent]
    """Fills that ended, baselines that were learned."""


class StepListener(Protocol):
    """Receives the result of every tick, and may require ticks of its own."""

    def begin(self, to: int) -> None:
        """Prepare for ticks up to ``to`` (ms)."""

    def next_due(self) -> int | None:
        """Return the time (ms) of the next tick that it needs itself."""

    def stepped(self, result: StepResult) -> None:
        """Take the result of a tick."""
