"""The evaluation engine: ticks on a fixed grid, driven by the times of the readings alone.

Every tick of the grid that is due before a reading runs before the reading is taken. The result
depends on the readings only, and a replay repeats it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from collector.domain.actions import DeclaredFill
from collector.domain.conditions import ConditionSettings
from collector.domain.evaluations import ConditionState, Evaluation
from collector.domain.events import SystemEvent
from collector.domain.plant import Plant
from collector.domain.readings import Columns, Reading, readings_of
from collector.domain.units import DAY
from collector.rules.base import Context, Estimator, RuleSet
from collector.rules.baselines import Baselines
from collector.rules.engine.estimator_schedule import EstimatorSchedule
from collector.rules.engine.fill_suppression import DeclaredFills
from collector.rules.engine.rule_schedule import RuleSchedule
from collector.rules.engine.staleness import CLOCK_SET, Lateness
from collector.rules.engine.step import EngineStatistics, RuleRuntime, StepListener, StepResult
from collector.rules.inputs import Inputs
from collector.rules.state import shifted
from collector.rules.wording import Words

_DOWNTIME = 10_000
"""ms after a restart beyond which the pause counts as time without monitoring."""

_TICKED = 7 * DAY
"""ms of a stretch without readings in which ticks still run: a shelf, a window or a day ends at its
own instant. No delay passes in them."""


class Engine:
    """Evaluates the rules and estimators that ``rule_set`` builds, on a grid of ``step`` ms."""

    def __init__(
        self, plant: Plant, settings: ConditionSettings, rule_set: Callable[[Context], RuleSet],
        step: int = 1000,
    ) -> None:
        if step <= 0:
            raise ValueError(f"step must be positive, got {step}")
        self.step = step
        self.inputs = Inputs(plant, settings)
        words = Words(plant)
        self.baselines = Baselines(plant.site.id, {t.id: t.name for t in plant.things()})
        built = rule_set(Context(
            plant=plant, settings=settings, inputs=self.inputs, words=words,
            baselines=self.baselines,
        ))
        self.not_monitored = built.not_monitored
        self._site = plant.site.id
        self.fills = DeclaredFills(self.inputs, words)
        self.rules = RuleSchedule(built.rules, self.inputs, words, step)
        self.estimators = EstimatorSchedule(built.estimators, self.inputs, words)
        self.now: int | None = None
        self.unread = True
        """Whether no reading has come yet."""
        self._last_tick: int | None = None
        self._planned: int | None = None
        """The next tick at which time alone may change anything."""
        self._lateness = Lateness()
        self._resumed = False
        self._counts = dict.fromkeys(("readings", "ticks", "clock_sets"), 0)

    def __repr__(self) -> str:
        return f"Engine({self._site}, {len(self.rules.runtimes)} rules, now={self.now})"

    def statistics(self) -> EngineStatistics:
        """Return counts."""
        return EngineStatistics(
            now=self.now, rules=len(self.rules.runtimes), late=self.inputs.late,
            repeated=self.inputs.repeated, evaluated=self.rules.evaluated, **self._counts,
        )

    # -- stepping --------------------------------------------------------------------------------

    def advance(
        self, to: int | None, readings: Sequence[Reading] | Columns = (),
        listener: StepListener | None = None,
    ) -> None:
        """Take readings in the order of their time, then run the ticks due at ``to`` (ms).

        Ticks that are due before a reading run first; ``to`` may be ``None``. Without a listener
        the results are dropped. Readings older than the newest are late. When they are older by
        more than a minute and continue for 5 s of their own time, the clock was set back, and the
        rules' state moves with it; a ``to`` in the past sets it back at once.
        """
        if isinstance(readings, Columns):
            self._feed_columns(readings, listener)
        else:
            for reading in readings:
                self._feed(reading, listener)
        if to is None:
            return
        if self.now is not None and to < self.now - CLOCK_SET:
            self.clock_set_to(to)
        elif self.now is None or to > self.now:
            self._run_to(to, listener)

    def _feed(self, reading: Reading, listener: StepListener | None) -> None:
        set_back = self._lateness.check(reading.time, self.now)
        if set_back is not None:
            self.clock_set_to(set_back)
        if self.now is None or reading.time > self.now:
            self._run_to(reading.time, listener)
        if self.unread:
            self._begin_again(reading.time)
        self.observe(reading)

    def _feed_columns(self, columns: Columns, listener: StepListener | None) -> None:
        # Loaded only where columns are fed: the daemon feeds none.
        from collector.rules.engine.batch import BatchFeed  # noqa: PLC0415

        start, count = 0, len(columns)
        while start < count and not self._in_time(int(columns.times[start])):
            # Late rows, or the first after a start, until the columns are ahead of the engine.
            end = int(columns.times.searchsorted(columns.times[start], side="right"))
            for reading in readings_of(columns.take(slice(start, end))):
                self._feed(reading, listener)
            start = end
        if start < count:
            feed = BatchFeed(self, columns.take(slice(start, None)),
                             lambda now: self._run_to(now, listener))
            taken = feed.run(self._next_tick(listener))
            self._counts["readings"] += taken
            self._lateness.since = None

    def _in_time(self, at: int) -> bool:
        """Whether readings from ``at`` (ms) on can only be new."""
        ready = not (self._resumed or self.unread)
        return ready and self.now is not None and at > self.now

    def _run_to(self, now: int, listener: StepListener | None) -> int | None:
        """Run the ticks that are due at ``now`` or before; return the next."""
        if listener is not None:
            listener.begin(now)
        self._begin(now)
        timed = self._timed(listener)
        while True:
            due = self._next_of_rules()
            rules_only = due is not None and (timed is None or due < timed)
            if not rules_only:
                due = timed
            if due is None or due > now:
                break
            if not (rules_only and self._unchanged(due)):
                self._tick(due, listener)
                timed = self._timed(listener)
        self.reached(now)
        return due

    def _tick(self, now: int, listener: StepListener | None) -> None:
        self._counts["ticks"] += 1
        self._last_tick = now
        changed = self.rules.evaluate(now, everything=self.fills.end_due(now))
        estimates = self.estimators.make(now)
        self._plan()
        facts = [*self.fills.drain(), *self.baselines.drain()]
        if listener is not None:
            listener.stepped(StepResult(at=now, changed=changed, estimates=estimates, facts=facts))

    def _timed(self, listener: StepListener | None) -> int | None:
        """Return the next tick that the listener needs."""
        at = None if listener is None else listener.next_due()
        if at is None:
            return None
        tick, last = -(-at // self.step) * self.step, self._last_tick
        return last + self.step if last is not None and tick <= last else tick

    def _next_of_rules(self) -> int | None:
        """Return the next tick that a rule or an estimator needs."""
        if self._last_tick is None:
            return None
        due, dirty = self._planned, self.rules.dirty_tick
        if due is None or (dirty is not None and dirty < due):
            due = dirty
        return None if due is None else max(due, self._last_tick + self.step)

    def _next_tick(self, listener: StepListener | None) -> int | None:
        dues = (self._next_of_rules(), self._timed(listener))
        return min((due for due in dues if due is not None), default=None)

    def _plan(self) -> None:
        """Find the next tick at which time alone may change anything."""
        dues = (self.rules.next_deadline, self.rules.staleness.next_at, self.estimators.midnight,
                self.fills.next_end())
        due = min([due for due in dues if due is not None], default=None)
        self._planned = None if due is None else -(-due // self.step) * self.step

    def _unchanged(self, now: int) -> bool:
        """Whether the tick that is due changes nothing, as most do."""
        for due in (self.estimators.midnight, self.fills.next_end()):
            if due is not None and due <= now:
                return False
        if not self.rules.unchanged(now):
            return False
        self._plan()
        return True

    def _begin(self, now: int) -> None:
        """Prepare for the ticks up to ``now``."""
        if self.now is None:
            self.now = now
            self._last_tick = now // self.step * self.step
            self.rules.staleness.begin(self._last_tick)
            self.inputs.begin(now)
            self.estimators.begin(now)
            self.rules.mark_all(self.now)
            self._plan()
            return
        gap = now - self.now
        if gap > _DOWNTIME and (self._resumed or gap > self.inputs.blind_after()):
            # Nothing was read: that is not the devices' silence.
            self.inputs.was_blind(gap)
            self.rules.mark_all(self.now)
            self._skip_to(now)
        self._resumed = False

    def _skip_to(self, now: int) -> None:
        """Restart every delay after a stretch without readings, and bound its ticks.

        The clock was set, the machine asleep or the process down; nothing is known of the plant in
        between. Beyond a week one tick at the end does what is due by the clock, so that the work
        is bounded for any two instants.
        """
        self.rules.evaluator.observed_from = now
        last = now // self.step * self.step - self.step
        if self._last_tick is None or last - self._last_tick > _TICKED:
            self._last_tick = last

    def _begin_again(self, now: int) -> None:
        """Count days and silences from the first reading, at ``now`` (ms).

        A replay of the same readings begins with it too.
        """
        self.unread = False
        self.rules.staleness.begin(now // self.step * self.step)
        self.inputs.begin_again(now)
        self.estimators.begin(now)
        self.rules.mark_all(self.now)
        self._plan()

    def reached(self, now: int) -> None:
        """Set the engine's time to ``now``; all due ticks have run."""
        if self.now is None or now > self.now:
            self.now = now
        passed = self.now // self.step * self.step
        if self._last_tick is None or passed > self._last_tick:
            self._last_tick = passed

    def clock_set_to(self, now: int) -> None:
        """Move every instant in the engine's state to a clock that was set back to ``now``."""
        if self.now is None:
            return
        self.load(shifted(self.dump(), now - self.now))
        # The grid itself does not move with the clock.
        self._last_tick = now // self.step * self.step
        self._resumed, self._lateness.since = False, None
        self._counts["clock_sets"] += 1
        self.estimators.clock_set_to(now)
        self.rules.mark_all(self.now)
        self._plan()

    def resume(self) -> None:
        """Count the pause that follows as downtime of the engine, not as a device's silence."""
        self._resumed = True

    def look_ahead(self, until: int) -> None:
        """Skip the checks for stale inputs before ``until`` (ms): the readings are known."""
        self.inputs.known_until = until

    def forget_horizon(self) -> None:
        """Check for stale inputs again: no future readings are known."""
        self.inputs.known_until = 0
        if self.now is not None and self._last_tick is not None:
            self.rules.forget_horizon(self.now, self._last_tick)
            self._plan()

    # -- readings and events ---------------------------------------------------------------------

    def consumers(self, name: str) -> tuple[list[RuleRuntime], list[Estimator]]:
        """Return the rules and the estimators that take samples of a point."""
        return self.rules.subscribed.get(name, []), self.estimators.consumers(name)

    def observe(self, reading: Reading) -> None:
        """Apply one reading, after the ticks that are due before it."""
        self._counts["readings"] += 1
        name, at = reading.point, reading.time
        took = self.inputs.ingest(reading)
        if took is None:
            if reading.usable is None:
                for runtime in self.rules.subscribed.get(name, ()):
                    self.rules.mark(runtime, at)
            return
        point, before = took
        value = point.value
        assert value is not None  # noqa: S101 - take() gave a value
        self.rules.deliver(point, before)
        if self.estimators.deliver(name, at, value, before):
            self.request_estimates(at)

    def request_estimates(self, at: int) -> None:
        """Have the estimators that are ready make an estimate at the next tick."""
        self.estimators.request()
        self.rules.mark_tick(at)

    def declare_fill(self, asset: str, until: int) -> None:
        """Declare a fill of ``asset`` (generator or riser) until ``until`` (ms)."""
        self.inputs.fills[asset] = until
        self.rules.mark_all(self.now)

    def record_event(self, event: SystemEvent) -> None:
        """Apply an event of an operator or of the daemon, after the ticks due before it."""
        if self.fills.apply(event) or self.baselines.apply(event):
            self.rules.mark_all(self.now)
        for runtime in self.rules.runtimes:
            if event.fact in runtime.rule.facts and runtime.rule.apply_event(event):
                self.rules.mark(runtime, event.time if self.now is None else self.now)

    def declared_fills(self) -> list[DeclaredFill]:
        """Return the declared fills, each with the conditions it affects."""
        return self.fills.active(r.rule for r in self.rules.runtimes)

    def reset_baseline(self, key: str, now: int, by: str, why: str) -> SystemEvent:
        """Forget a baseline (``compressor-delivery.gen1``) and learn it again.

        Raises ``ActionRefused`` without a reason or where there is none to reset.
        """
        fact = self.baselines.reset(key, now, by, why)
        self.rules.mark_all(self.now)
        return fact

    # -- evaluations -----------------------------------------------------------------------------

    def current(self) -> list[Evaluation]:
        """Return the last evaluation of every rule, worded now."""
        if self._last_tick is None:
            return []
        return [self.rules.evaluator.evaluation(r, self._last_tick) for r in self.rules.runtimes]

    def says(self, condition: str, asset: str) -> Evaluation | None:
        """Return the last evaluation of one rule, worded now; ``None`` where there is no rule."""
        found = self.rules.find(condition, asset)
        if found is None or self._last_tick is None or self.now is None:
            return None
        # Of now, not of the last tick: which ticks ran makes no difference.
        return self.rules.evaluator.evaluation(found, max(self.now, self._last_tick))

    def holding(self) -> dict[tuple[str, str], bool]:
        """Return for each condition and asset whether it is active by its last evaluation."""
        return {(r.rule.condition, r.rule.asset): r.state is ConditionState.ACTIVE
                for r in self.rules.runtimes}

    # -- state -----------------------------------------------------------------------------------

    def dump(self) -> dict[str, Any]:
        """Return everything a restart needs, as JSON-able data."""
        staleness = self.rules.staleness
        return {
            "now_at": self.now, "tick_at": self._last_tick, "dirty_at": self.rules.dirty_tick,
            "sweep_at": staleness.next_at, "midnight_at": self.estimators.midnight,
            "observed_from_at": self.rules.evaluator.observed_from,
            "late_at": self._lateness.since, "stale": sorted(staleness.points),
            "inputs": self.inputs.dump(),
            "fills": self.fills.dump(),
            "baselines": self.baselines.dump(),
            "rules": self.rules.dump(),
            "estimates": self.estimators.dump(),
        }

    def load(self, state: Mapping[str, Any]) -> None:
        """Restore a dumped state; rules it does not contain begin afresh."""
        if not state or state.get("now_at") is None:
            return
        now = self.now = state["now_at"]
        self._last_tick = state["tick_at"]
        self.rules.dirty_tick, self._lateness.since = state["dirty_at"], state["late_at"]
        self.rules.evaluator.observed_from = state.get("observed_from_at", 0)
        staleness = self.rules.staleness
        staleness.next_at, staleness.points = state["sweep_at"], set(state["stale"])
        self.inputs.load(state["inputs"])
        self.fills.load(state.get("fills", {}))
        self.unread = all(p.heard_at is None for p in self.inputs.points.values())
        self.inputs.begin(now)
        self.baselines.load(state.get("baselines", {}))
        self.rules.load(state["rules"], now)
        self.estimators.load(state["estimates"], state["midnight_at"], now)
        self._plan()
        self._resumed = True
