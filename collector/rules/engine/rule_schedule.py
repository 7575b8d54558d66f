"""Schedule of the rules of one site: which are evaluated at which tick."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from collector.domain.evaluations import ConditionState, Evaluation
from collector.rules.base import RawEvaluation, Rule
from collector.rules.engine.inhibition import Inhibition, sentences
from collector.rules.engine.staleness import Staleness
from collector.rules.engine.step import RuleRuntime
from collector.rules.inputs import Inputs, Point
from collector.rules.wording import Words


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


_log = logging.getLogger(__name__)


class RuleSchedule:
    """Evaluates rules whose inputs changed or whose deadline has come. ``step`` is the tick, ms."""

    def __init__(self, rules: Sequence[Rule], inputs: Inputs, words: Words, step: int) -> None:
        runtimes = [RuleRuntime(r, tuple(inputs.point(p) for p in r.needs)) for r in rules]
        inhibition = Inhibition(inputs.plant, inputs, words, runtimes)
        self.runtimes = inhibition.order(runtimes)
        self.evaluator = ConditionEvaluator(inhibition, words, runtimes, self.mark)
        self._step, self._inputs = step, inputs
        self.subscribed: dict[str, list[RuleRuntime]] = {}
        """Point to the rules that take its samples."""
        for runtime in self.runtimes:
            for name in runtime.rule.inputs:
                inputs.point(name)
                self.subscribed.setdefault(name, []).append(runtime)
        self.staleness = Staleness(inputs, self.subscribed)
        self.dirty_tick: int | None = None
        """The next tick at which a rule must be evaluated because something changed, ms."""
        self.next_deadline: int | None = None
        self.evaluated = 0
        self.before_evaluation: Callable[[RuleRuntime], None] | None = None
        """Called with each rule before its evaluation; set while a batch is being fed."""

    def __repr__(self) -> str:
        return f"RuleSchedule({len(self.runtimes)} rules)"

    def mark_tick(self, at: int) -> None:
        """Have the first tick after ``at`` run."""
        if self.dirty_tick is None:
            self.dirty_tick = at // self._step * self._step + self._step

    def mark(self, runtime: RuleRuntime, at: int) -> None:
        """Have a rule evaluated at the first tick after ``at``."""
        runtime.dirty = True
        if self.dirty_tick is None:
            self.dirty_tick = at // self._step * self._step + self._step

    def mark_all(self, at: int | None) -> None:
        """Have every rule evaluated at the first tick after ``at``."""
        for runtime in self.runtimes:
            runtime.dirty = True
            runtime.bands.clear()
        if at is not None:
            self.mark_tick(at)

    def deliver(self, point: Point, before: int | None) -> None:
        """Deliver a good sample to the rules that use it; ``before`` is the last one."""
        name, at, value = point.name, point.at, point.value
        assert at is not None and value is not None  # noqa: S101, PT018 - it took the sample
        stale = self.staleness.points
        back = name in stale
        if back:
            stale.discard(name)
        apart = math.inf if before is None else at - before
        unbroken = apart <= point.max_gap()
        for runtime in self.subscribed.get(name, ()):
            rule, bands = runtime.rule, runtime.bands
            if name not in runtime.counted:
                if name in bands:
                    band = bands[name]
                else:
                    band = bands[name] = rule.no_change_band(name)
                if band is None:
                    pass
                elif band.counted:
                    runtime.counted.add(name)
                elif (
                    band.low <= value <= band.high and not runtime.blind
                    and (band.until is None or at < band.until)
                    and (unbroken if rule.set_gap is None else apart <= rule.set_gap)
                ):
                    continue
            if bands:
                bands.clear()
            if rule.observe(name, at, value, before) or runtime.blind or back:
                self.mark(runtime, at)

    def forget_bands(self, runtimes: Iterable[RuleRuntime]) -> None:
        """Read the bands of rules again."""
        for runtime in runtimes:
            runtime.bands.clear()

    def unchanged(self, now: int) -> bool:
        """Whether a tick at ``now`` would change no rule; moves deadlines if so."""
        if (self.dirty_tick is not None and self.dirty_tick <= now) or self._became_stale(now):
            return False
        if self.next_deadline is not None and self.next_deadline <= now:
            late = [r for r in self.runtimes if r.next_evaluation_at is not None
                    and r.next_evaluation_at <= now]
            if not all([r.put_off(now) for r in late]):
                return False
            self._find_deadline()
        return True

    def evaluate(self, now: int, *, everything: bool = False) -> list[Evaluation]:
        """Evaluate the rules due at ``now``; return the evaluations that changed."""
        self.dirty_tick = None
        if everything:
            self.mark_all(None)
        self._became_stale(now)
        changed = []
        for runtime in self.runtimes:
            late = runtime.next_evaluation_at is not None and runtime.next_evaluation_at <= now
            if runtime.dirty or (late and not runtime.put_off(now)):
                self.evaluated += 1
                if self.before_evaluation is not None:
                    self.before_evaluation(runtime)
                evaluation = self.evaluator.evaluate(runtime, now)
                if evaluation is not None:
                    changed.append(evaluation)
        self._find_deadline()
        return changed

    def _became_stale(self, now: int) -> bool:
        found = self.staleness.look(now)
        for name in found:
            for runtime in self.subscribed[name]:
                runtime.dirty = True
        return bool(found)

    def _find_deadline(self) -> None:
        self.next_deadline = min([r.next_evaluation_at for r in self.runtimes
                                  if r.next_evaluation_at is not None], default=None)

    def forget_horizon(self, now: int, last_tick: int) -> None:
        """Bring forward the deadlines that were put off because future readings were known."""
        self.staleness.look_again(last_tick)
        for runtime in self.runtimes:
            if runtime.next_evaluation_at is not None and runtime.rule.looks_ahead:
                asked = runtime.rule.next_evaluation_at(now)
                if asked is not None:
                    runtime.next_evaluation_at = min(runtime.next_evaluation_at, asked)
        self._find_deadline()

    def find(self, condition: str, asset: str) -> RuleRuntime | None:
        """Return the rule of a condition and asset, ``None`` where there is none."""
        return next((r for r in self.runtimes
                     if r.rule.condition == condition and r.rule.asset == asset), None)

    def dump(self) -> dict[str, Any]:
        """Return the state of every rule as JSON-able data."""
        return {r.key: r.dump() for r in self.runtimes}

    def load(self, state: Mapping[str, Any], now: int) -> None:
        """Restore a dumped state; a rule that cannot begins afresh, with a logged reason."""
        for runtime in self.runtimes:
            saved = state.get(runtime.key)
            if saved is not None:
                fresh = runtime.dump()
                try:
                    runtime.load(saved)
                except (KeyError, TypeError, ValueError) as error:
                    _log.warning("the saved state of %s does not fit this version, and it begins "
                                 "afresh: %s", runtime.key, error)
                    runtime.load(fresh)
            self.mark(runtime, now)
        self._find_deadline()
