"""The state of one rule as the engine sees it, and the evaluation of a rule with its delays."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from collector.domain.evaluations import ConditionState, Evaluation
from collector.rules.base import Band, RawEvaluation, Rule
from collector.rules.engine.inhibition import Inhibition, sentences
from collector.rules.inputs import Point
from collector.rules.wording import Words

__all__ = ["ConditionEvaluator", "RuleRuntime"]


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
        """Restore a dumped state."""
        self.rule.load(saved["state"])
        self.bands.clear()
        self.state, self.since = ConditionState(saved["standing"]), saved["since_at"]
        self.raw = None if saved["raw"] is None else ConditionState(saved["raw"])
        self.raw_at, self.because = saved["raw_at"], saved["because"]
        # The deadline is computed again: the site file, and so the limits, may have changed.
        self.unknown, self.next_evaluation_at, self.dirty = saved["unknown"], None, saved["dirty"]
        self.blind = saved.get("blind", self.unknown)
        self.gone, self.held = saved.get("gone_at"), saved.get("held", "")


class ConditionEvaluator:
    """Evaluates a rule and applies silence of its inputs, its delays and inhibition.

    ``mark`` has a rule evaluated at the next tick.
    """

    def __init__(
        self, inhibition: Inhibition, words: Words, runtimes: Sequence[RuleRuntime],
        mark: Callable[[RuleRuntime, int], None],
    ) -> None:
        self._inhibition, self._words, self._mark = inhibition, words, mark
        self.observed_from = 0
        """End of the last stretch (ms) without any reading: delays count from there on."""
        self._silence = {r.rule.asset: r for r in runtimes if r.rule.condition == "device-silent"}

    def _blind(self, runtime: RuleRuntime, now: int) -> str:
        for point in runtime.points:
            if point.source.silent(now):
                silence = self._silence.get(point.source.id)
                by = self._inhibition.inhibiting(silence, now) if silence is not None else None
                why = f"; explained by {by.why}" if by is not None else ""
                return f"{self._words.name(point.source.id)} does not answer{why}"
            if not point.fresh(now, runtime.rule.gap(point.name)):
                when = "yet" if point.at is None else f"since {self._words.instant(point.at)}"
                return f"no usable {self._words.label(point.name)} {when}"
        return ""

    def evaluate(self, runtime: RuleRuntime, now: int) -> Evaluation | None:
        """Evaluate a rule at ``now`` (ms); return the result where it differs from the last."""
        runtime.dirty, runtime.held = False, ""
        runtime.bands.clear()
        because = self._blind(runtime, now)
        if because:
            because = "; ".join([because, *self._inhibition.causes(runtime, now)])
        found = RawEvaluation.unknown(because) if because else runtime.rule.evaluate(now)
        runtime.next_evaluation_at = None if because else runtime.rule.next_evaluation_at(now)
        runtime.blind = bool(because)
        if found.state is ConditionState.UNKNOWN:
            news = not runtime.unknown or runtime.because != found.because
            runtime.unknown, runtime.because = True, found.because
            return self.evaluation(runtime, now) if news else None
        if found.state is not runtime.raw:
            runtime.raw, runtime.raw_at = found.state, now
        news = runtime.unknown
        runtime.unknown, runtime.because = False, ""
        if found.state is not runtime.state:
            news = self._delayed(runtime, found, now) or news
        elif found.state is ConditionState.ACTIVE and found.since is not None:
            runtime.since = found.since
        return self.evaluation(runtime, now) if news else None

    def _delayed(self, runtime: RuleRuntime, found: RawEvaluation, now: int) -> bool:
        rising = found.state is ConditionState.ACTIVE
        delay = runtime.rule.on_delay if rising else runtime.rule.off_delay
        began = next(
            t for t in (found.held, found.since, runtime.raw_at, now) if t is not None
        )
        if delay and runtime.points:  # What rests on the collector's own facts saw no gap.
            began = max(began, self.observed_from)
        if now < began + delay:
            runtime.next_evaluation_at = min(t for t in (runtime.next_evaluation_at, began + delay)
                                             if t is not None)
            return False
        by = self._inhibition.inhibiting(runtime, now, found.rests_on) if rising else None
        if by is not None:
            runtime.held = by.why
            runtime.next_evaluation_at = min(t for t in (runtime.next_evaluation_at, by.again)
                                             if t is not None)
            return False
        runtime.state = found.state
        runtime.since = (found.since if found.since is not None else began) if rising else None
        if not rising:
            runtime.gone = now
        for dependent in self._inhibition.dependents(runtime):
            self._mark(dependent, now)
        return True

    def evaluation(self, runtime: RuleRuntime, now: int) -> Evaluation:
        """Return the last evaluation of a rule, worded at ``now`` (ms)."""
        rule = runtime.rule
        state = ConditionState.UNKNOWN if runtime.unknown else runtime.state
        values, text = ({}, "") if state is not ConditionState.ACTIVE else rule.describe(now)
        if text:
            text = self._words.with_reason(text, sentences(
                self._inhibition.causes(runtime, now), self._inhibition.inhibited_by(runtime),
            ))
        because = f"it holds, but is explained by {runtime.held}" if runtime.held \
            else runtime.because
        return Evaluation(
            condition=rule.condition, asset=rule.asset, state=state, time=now,
            since=runtime.since, values=values, text=text, because=because,
        )
