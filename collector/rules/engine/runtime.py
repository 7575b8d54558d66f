"""The state of one rule as the engine sees it, and the evaluation of a rule with its delays."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from collector.domain.verdicts import Standing, Verdict
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
    standing: Standing = Standing.ABSENT
    since: int | None = None
    raw: Standing | None = None
    raw_at: int | None = None
    because: str = ""
    unknown: bool = True
    blind: bool = True
    """Whether a needed input is silent, or the rule was never evaluated: any sample may end it."""
    due: int | None = None
    dirty: bool = True
    gone: int | None = None
    """When the condition last returned."""
    held: str = ""
    """What inhibits the condition while it holds; empty where it is not inhibited."""
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
        return self.standing is Standing.PRESENT or (
            self.raw is Standing.PRESENT and not self.unknown)

    def put_off(self, now: int) -> bool:
        """Move a deadline that has come, where it would find the condition as absent as before."""
        settled = (
            self.raw is Standing.ABSENT and self.standing is Standing.ABSENT
            and not (self.dirty or self.unknown or self.held)
        )
        later = self.rule.still_absent(now) if settled else None
        if later is None or later <= now:
            return False
        self.due = later
        return True

    def dump(self) -> dict[str, Any]:
        """Return the last evaluation and the rule's own state, as JSON-able data."""
        return {
            "standing": self.standing.value, "since_at": self.since,
            "raw": None if self.raw is None else self.raw.value, "raw_at": self.raw_at,
            "because": self.because, "unknown": self.unknown, "blind": self.blind,
            "dirty": self.dirty, "gone_at": self.gone, "held": self.held,
            "state": self.rule.dump(),
        }

    def load(self, saved: Mapping[str, Any]) -> None:
        """Take over a dumped state."""
        self.rule.load(saved["state"])
        self.bands.clear()
        self.standing, self.since = Standing(saved["standing"]), saved["since_at"]
        self.raw = None if saved["raw"] is None else Standing(saved["raw"])
        self.raw_at, self.because = saved["raw_at"], saved["because"]
        # The deadline is computed again: the site file, and so the limits, may have changed.
        self.unknown, self.due, self.dirty = saved["unknown"], None, saved["dirty"]
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

    def evaluate(self, runtime: RuleRuntime, now: int) -> Verdict | None:
        """Evaluate a rule at ``now`` (ms); return the result where it differs from the last."""
        runtime.dirty, runtime.held = False, ""
        runtime.bands.clear()
        because = self._blind(runtime, now)
        if because:
            because = "; ".join([because, *self._inhibition.causes(runtime, now)])
        finding = RawEvaluation.unknown(because) if because else runtime.rule.evaluate(now)
        runtime.due = None if because else runtime.rule.due(now)
        runtime.blind = bool(because)
        if finding.standing is Standing.UNKNOWN:
            news = not runtime.unknown or runtime.because != finding.because
            runtime.unknown, runtime.because = True, finding.because
            return self.verdict(runtime, now) if news else None
        if finding.standing is not runtime.raw:
            runtime.raw, runtime.raw_at = finding.standing, now
        news = runtime.unknown
        runtime.unknown, runtime.because = False, ""
        if finding.standing is not runtime.standing:
            news = self._delayed(runtime, finding, now) or news
        elif finding.standing is Standing.PRESENT and finding.since is not None:
            runtime.since = finding.since
        return self.verdict(runtime, now) if news else None

    def _delayed(self, runtime: RuleRuntime, finding: RawEvaluation, now: int) -> bool:
        rising = finding.standing is Standing.PRESENT
        delay = runtime.rule.on_delay if rising else runtime.rule.off_delay
        began = next(
            t for t in (finding.held, finding.since, runtime.raw_at, now) if t is not None
        )
        if delay and runtime.points:  # What rests on the collector's own facts saw no gap.
            began = max(began, self.observed_from)
        if now < began + delay:
            runtime.due = min(t for t in (runtime.due, began + delay) if t is not None)
            return False
        by = self._inhibition.inhibiting(runtime, now, finding.rests_on) if rising else None
        if by is not None:
            runtime.held = by.why
            runtime.due = min(t for t in (runtime.due, by.again) if t is not None)
            return False
        runtime.standing = finding.standing
        runtime.since = (finding.since if finding.since is not None else began) if rising else None
        if not rising:
            runtime.gone = now
        for dependent in self._inhibition.dependents(runtime):
            self._mark(dependent, now)
        return True

    def verdict(self, runtime: RuleRuntime, now: int) -> Verdict:
        """Return the last evaluation of a rule, worded at ``now`` (ms)."""
        rule = runtime.rule
        standing = Standing.UNKNOWN if runtime.unknown else runtime.standing
        values, text = ({}, "") if standing is not Standing.PRESENT else rule.describe(now)
        if text:
            text = self._words.with_reason(text, sentences(
                self._inhibition.causes(runtime, now), self._inhibition.inhibited_by(runtime),
            ))
        because = f"it holds, but is explained by {runtime.held}" if runtime.held \
            else runtime.because
        return Verdict(
            condition=rule.condition, asset=rule.asset, standing=standing, time=now,
            since=runtime.since, values=values, text=text, because=because,
        )
