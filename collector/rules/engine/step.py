"""State of one rule, the result of one tick, and the receiver of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from collector.domain.evaluations import ConditionState, Evaluation
from collector.domain.events import EstimateMade, SystemEvent
from collector.rules.base import Band, Rule
from collector.rules.inputs import Point


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
        """Apply the result of a tick."""


@dataclass(slots=True)
class RuleRuntime:
    """One rule and its last evaluation. Instants in ms."""

    rule: Rule
    points: tuple[Point, ...]
    state: ConditionState = ConditionState.INACTIVE
    since: int | None = None
    raw: ConditionState | None = None
    raw_at: int | None = None
    because: str = ""
    unknown: bool = True
    blind: bool = True
    """Whether a needed input is silent, or the rule was never evaluated: any sample may end it."""
    next_evaluation_at: int | None = None
    dirty: bool = True
    gone: int | None = None
    """Time at which the condition last returned."""
    held: str = ""
    """The cause that inhibits the active condition; empty where it is not inhibited."""
    bands: dict[str, Band | None] = field(default_factory=dict)
    """The rule's bands since it was last called; empty while a batch is fed."""
    counted: set[str] = field(default_factory=set)
    """Points whose band once was a counted one: outside batches every sample is observed."""

    @property
    def key(self) -> str:
        """Name of the rule in a dumped state."""
        return f"{self.rule.condition} {self.rule.asset}"

    @property
    def coming(self) -> bool:
        """Whether the condition is active, or waits for its delay only."""
        return self.state is ConditionState.ACTIVE or (
            self.raw is ConditionState.ACTIVE and not self.unknown)

    def put_off(self, now: int) -> bool:
        """Move a deadline that has come, where the condition would still be inactive."""
        settled = (
            self.raw is ConditionState.INACTIVE and self.state is ConditionState.INACTIVE
            and not (self.dirty or self.unknown or self.held)
        )
        later = self.rule.still_inactive(now) if settled else None
        if later is None or later <= now:
            return False
        self.next_evaluation_at = later
        return True

    def dump(self) -> dict[str, Any]:
        """Return the last evaluation and the rule's own state, as JSON-able data."""
        return {
            "standing": self.state.value, "since_at": self.since,
            "raw": None if self.raw is None else self.raw.value, "raw_at": self.raw_at,
            "because": self.because, "unknown": self.unknown, "blind": self.blind,
            "dirty": self.dirty, "gone_at": self.gone, "held": self.held,
            "state": self.rule.dump(),
        }

    def load(self, saved: Mapping[str, Any]) -> None:
        self.rule.load(saved["state"])
        self.bands.clear()
        self.state, self.since = ConditionState(saved["standing"]), saved["since_at"]
        self.raw = None if saved["raw"] is None else ConditionState(saved["raw"])
        self.raw_at, self.because = saved["raw_at"], saved["because"]
        # The deadline is computed again: the site file, and so the limits, may have changed.
        self.unknown, self.next_evaluation_at, self.dirty = saved["unknown"], None, saved["dirty"]
        self.blind = saved.get("blind", self.unknown)
        self.gone, self.held = saved.get("gone_at"), saved.get("held", "")
