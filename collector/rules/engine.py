"""Runs the rules: on a grid of ticks, only where something changed, with the delays of each.

The engine knows no clock. Readings move it forward; every tick of the grid that is due before a
reading runs before that reading is taken. What it says therefore depends on the readings alone, and
a replay repeats it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from collector.domain.conditions import ConditionSettings
from collector.domain.events import EstimateMade, FactNoted
from collector.domain.fills import DeclaredFill
from collector.domain.plant import Plant
from collector.domain.readings import Reading
from collector.domain.verdicts import NotWatched, Standing, Verdict
from collector.rules.asking import Asking
from collector.rules.base import Context, shifted
from collector.rules.baselines import Baselines
from collector.rules.eased import eased
from collector.rules.estimates import Estimator
from collector.rules.explain import Explanations
from collector.rules.fills import Fills
from collector.rules.inputs import Inputs
from collector.rules.judging import Judge
from collector.rules.lateness import Lateness
from collector.rules.registry import build_estimators, build_rules
from collector.rules.slots import Slot
from collector.rules.staleness import Staleness
from collector.rules.wording import Words

__all__ = ["Engine", "EngineStatistics"]

_DOWNTIME = 10_000
"""ms after a restart beyond which the pause counts as nobody having watched."""

_TICKED = 7 * 86_400_000
"""ms of a stretch without readings that are still ticked through, so that what ends by the clock
alone (a shelf, a window, a day) ends at its own instant. No delay passes in them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineStatistics:
    """What the engine has done. Counts since it was made; ``now`` is its time in ms."""

    now: int | None
    rules: int
    readings: int
    late: int
    repeated: int
    ticks: int
    judged: int
    clock_sets: int


class Engine:
    """All rules of one site. ``step`` is the tick of the grid in ms."""

    def __init__(self, plant: Plant, settings: ConditionSettings, step: int = 1000) -> None:
        if step <= 0:
            raise ValueError(f"step must be positive, got {step}")
        self.step = step
        self.inputs = Inputs(plant, settings)
        words = Words(plant)
        self.baselines = Baselines(plant.site.id, {t.id: t.name for t in plant.things()})
        context = Context(
            plant=plant, settings=settings, inputs=self.inputs, words=words,
            baselines=self.baselines,
        )
        rules, missing = build_rules(context)
        self.not_watched: tuple[NotWatched, ...] = tuple(missing)
        self._words = words
        self._site = plant.site.id
        slots = [Slot(r, tuple(self.inputs.point(p) for p in r.needs)) for r in rules]
        self.fills = Fills(self.inputs, words)
        self._explain = Explanations(plant, self.inputs, words)
        self._explain.lay(slots)
        self._slots = self._explain.order(slots)
        self._judge = Judge(self._explain, words, slots, self.mark)
        self._asking = Asking(build_estimators(context), self.inputs, words)
        self._interested: dict[str, list[Slot]] = {}
        for slot in self._slots:
            for name in slot.rule.inputs:
                self.inputs.point(name)
                self._interested.setdefault(name, []).append(slot)
        self._stale = Staleness(self.inputs, self._interested)
        self.now: int | None = None
        self.unread = True
        """Whether no reading has come yet."""
        self._last_tick: int | None = None
        self.dirty_tick: int | None = None
        self._min_due: int | None = None
        self._planned: int | None = None
        self._lateness = Lateness()
        self._resumed = False
        self.before_judging: Callable[[Slot], None] | None = None
        """Told of each rule that is about to be judged, for who feeds columns."""
        self._counts = dict.fromkeys(("readings", "ticks", "judged", "clock_sets"), 0)

    def __repr__(self) -> str:
        return f"Engine({self._site}, {len(self._slots)} rules, now={self.now})"

    def statistics(self) -> EngineStatistics:
        """Return counts."""
        return EngineStatistics(
            now=self.now, rules=len(self._slots), late=self.inputs.late,
            repeated=self.inputs.repeated, **self._counts,
        )

    # -- time ------------------------------------------------------------------------------------

    def begin(self, now: int) -> None:
        """Say that the engine's time is about to become ``now`` by way of ticks."""
        if self.now is None:
            self.now = now
            self._last_tick = now // self.step * self.step
            self._stale.begin(self._last_tick)
            self.inputs.begin(now)
            self._asking.begin(now)
            self._mark_all()
            self._plan()
            return
        gap = now - self.now
        if gap > _DOWNTIME and (self._resumed or gap > self.inputs.blind_after()):
            # Nothing was read: that is not the devices' silence.
            self.inputs.was_blind(gap)
            self._mark_all()
            self._skip_to(now)
        self._resumed = False

    def _skip_to(self, now: int) -> None:
        """Restart every delay after a stretch without readings, and bound its ticks.

        The clock may have been set, the machine asleep or the process down: which of them cannot be
        told from the readings, and how long it took proves nothing of the plant. Beyond a week one
        tick at the far side does what is due by the clock, so that the work is bounded for any two
        instants.
        """
        self._judge.observed_from = now
        last = now // self.step * self.step - self.step
        if self._last_tick is None or last - self._last_tick > _TICKED:
            self._last_tick = last

    def begin_again(self, now: int) -> None:
        """Say that the first reading has come, ``now`` (ms).

        Days and silences are counted from there, however long the watch waited for it: a replay
        of the same readings begins with it too.
        """
        self.unread = False
        self._stale.begin(now // self.step * self.step)
        self.inputs.begin_again(now)
        self._asking.begin(now)
        self._mark_all()
        self._plan()

    def arrive(self, now: int) -> None:
        """Say that the engine's time is ``now``, all due ticks having run."""
        if self.now is None or now > self.now:
            self.now = now
        passed = self.now // self.step * self.step
        if self._last_tick is None or passed > self._last_tick:
            self._last_tick = passed

    def clock_set_to(self, now: int) -> None:
        """Move everything the engine remembers to a clock that was set back to ``now``."""
        if self.now is None:
            return
        by = now - self.now
        counts = self._counts
        self.load(shifted(self.dump(), by))
        # The grid itself does not move with the clock.
        self._last_tick = now // self.step * self.step
        self._resumed, self._lateness.since = False, None
        self._counts = counts
        self._counts["clock_sets"] += 1
        self._asking.clock_set_to(now)
        self._mark_all()
        self._plan()

    def late(self, at: int) -> int | None:
        """Take note of a reading's time; return what the clock was set back to, once proven."""
        return self._lateness.note(at, self.now)

    def resume(self) -> None:
        """Take the pause that follows as the watch's own, not as anybody's silence."""
        self._resumed = True

    @property
    def stale(self) -> set[str]:
        """Points that went silent without a word; their next sample is news."""
        return self._stale.points

    @property
    def last_tick(self) -> int | None:
        """The last tick that has passed, whether or not anything was due, ms."""
        return self._last_tick

    def next_due(self) -> int | None:
        """Return the next tick at which anything is to be judged, or ``None``."""
        if self._last_tick is None:
            return None
        due, dirty = self._planned, self.dirty_tick
        if due is None or (dirty is not None and dirty < due):
            due = dirty
        return None if due is None else max(due, self._last_tick + self.step)

    def _plan(self) -> None:
        """Find the next tick at which time alone may change anything."""
        dues = (self._min_due, self._stale.next_at, self._asking.midnight, self.fills.next_end())
        due = min([due for due in dues if due is not None], default=None)
        self._planned = None if due is None else -(-due // self.step) * self.step

    def mark(self, slot: Slot, at: int) -> None:
        """Have a rule judged at the first tick after ``at``."""
        slot.dirty = True
        if self.dirty_tick is None:
            self.dirty_tick = at // self.step * self.step + self.step

    def _mark_all(self) -> None:
        for slot in self._slots:
            slot.dirty = True
        if self.now is not None and self.dirty_tick is None:
            self.dirty_tick = self.now // self.step * self.step + self.step

    # -- readings --------------------------------------------------------------------------------

    def hearers(self, name: str) -> tuple[list[Slot], list[Estimator]]:
        """Return the rules and the estimators that hear a point."""
        return self._interested.get(name, []), self._asking.of(name)

    def asks(self, now: int) -> bool:
        """Whether a tick at ``now`` would ask estimators."""
        return self._asking.asks(now)

    def in_time(self, at: int) -> bool:
        """Whether readings from ``at`` (ms) on can only be new, and nothing waits to be settled."""
        ready = not (self._resumed or self.unread)
        return ready and self.now is not None and at > self.now

    def count(self, readings: int) -> None:
        """Count readings that were taken as columns: all in time."""
        self._counts["readings"] += readings
        self._lateness.since = None

    def observe(self, reading: Reading) -> None:
        """Take one reading; its ticks have run."""
        self._counts["readings"] += 1
        name, at = reading.point, reading.time
        took = self.inputs.take(reading)
        slots = self._interested.get(name)
        if took is None:
            if slots and reading.usable is None:
                for slot in slots:
                    self.mark(slot, at)
            return
        point, before = took
        value = point.value
        assert value is not None  # noqa: S101 - take() gave a value
        stale = self._stale.points
        back = name in stale
        if back:
            stale.discard(name)
        for slot in slots or ():
            rule = slot.rule
            band = rule.no_change_band(name)
            if (
                band is not None and band[0] <= value <= band[1]
                and before is not None and at - before <= rule.gap(name) and not slot.blind
            ):
                continue
            if rule.observe(name, at, value, before) or slot.blind or back:
                self.mark(slot, at)
        for estimator in self._asking.of(name):
            estimator.observe(name, at, value, before)
            if estimator.wanted:
                self.ask(at)

    def ask(self, at: int) -> None:
        """Let the next tick ask the estimators that have news."""
        self._asking.ask()
        if self.dirty_tick is None:
            self.dirty_tick = at // self.step * self.step + self.step

    def declare_fill(self, asset: str, until: int) -> None:
        """Take it that a fill of ``asset`` (generator or riser) goes on until ``until`` (ms)."""
        self.inputs.fills[asset] = until
        self._mark_all()

    def note(self, fact: FactNoted) -> None:
        """Take a fact of people or of the daemon itself; its ticks have run."""
        if self.fills.take(fact) or self.baselines.take(fact):
            self._mark_all()
        for slot in self._slots:
            if fact.fact in slot.rule.facts and slot.rule.note(fact):
                self.mark(slot, fact.time if self.now is None else self.now)

    def declared_fills(self) -> list[DeclaredFill]:
        """Return the declared fills, each with what it holds back."""
        rules = [slot.rule for slot in self._slots]
        return [eased(fill, self.inputs.plant, rules) for fill in self.fills.standing()]

    # -- judging ---------------------------------------------------------------------------------

    def idle(self, now: int) -> bool:
        """Whether the tick that is due finds everything as it is.

        Nearly all do: devices answer, something moves. That is no business of anybody else.
        """
        for due in (self.dirty_tick, self._asking.midnight, self.fills.next_end()):
            if due is not None and due <= now:
                return False
        if self._silenced(now):
            return False
        if self._min_due is not None and self._min_due <= now:
            late = [slot for slot in self._slots if slot.due is not None and slot.due <= now]
            if not all([slot.put_off(now) for slot in late]):
                return False
            self._min_due = self._least_due()
        self._plan()
        return True

    def look_ahead(self, until: int) -> None:
        """Take it that nobody goes silent up to ``until`` (ms): the readings are there."""
        self.inputs.heard_until = until

    def look_ahead_no_more(self) -> None:
        """Take it that nothing is known of what is to come."""
        self.inputs.heard_until = 0
        if self.now is None or self._last_tick is None:
            return
        self._stale.look_again(self._last_tick)
        for slot in self._slots:
            if slot.due is not None and slot.rule.looks_ahead:
                due = slot.rule.due(self.now)
                slot.due = slot.due if due is None else min(slot.due, due)
        self._min_due = self._least_due()
        self._plan()

    def _silenced(self, now: int) -> bool:
        """Look who has gone silent; return whether anybody has."""
        found = self._stale.look(now)
        for name in found:
            for slot in self._interested[name]:
                slot.dirty = True
        return bool(found)

    def _least_due(self) -> int | None:
        return min([slot.due for slot in self._slots if slot.due is not None], default=None)

    def tick(self, now: int) -> list[Verdict]:
        """Judge what is due at ``now``; return the verdicts whose standing changed."""
        self._counts["ticks"] += 1
        self._last_tick = now
        self.dirty_tick = None
        if self.fills.tick(now):
            for slot in self._slots:
                slot.dirty = True
        self._silenced(now)
        changed = []
        for slot in self._slots:
            late = slot.due is not None and slot.due <= now
            if slot.dirty or (late and not slot.put_off(now)):
                self._counts["judged"] += 1
                if self.before_judging is not None:
                    self.before_judging(slot)
                verdict = self._judge.evaluate(slot, now)
                if verdict is not None:
                    changed.append(verdict)
        self._min_due = self._least_due()
        return changed

    def estimates(self, now: int) -> list[EstimateMade]:
        """Return the day's estimates at the site's midnight, else those with news."""
        made = self._asking.make(now)
        self._plan()
        return made

    def facts(self) -> list[FactNoted]:
        """Return what was noted since the last call: fills that ended, baselines learned."""
        return [*self.fills.drain(), *self.baselines.drain()]

    def reset_baseline(self, key: str, now: int, by: str, why: str) -> FactNoted:
        """Forget a baseline (``compressor-delivery.gen1``) and learn it afresh.

        Raises ``ActionRefused`` without a reason or where there is none to reset.
        """
        fact = self.baselines.reset(key, now, by, why)
        self._mark_all()
        return fact

    def current(self) -> list[Verdict]:
        """Return every rule's verdict as it stands, worded now."""
        if self._last_tick is None:
            return []
        return [self._judge.verdict(slot, self._last_tick) for slot in self._slots]

    def says(self, condition: str, asset: str) -> Verdict | None:
        """Return one rule's verdict as it stands, worded now; ``None`` where there is no rule."""
        if self._last_tick is None or self.now is None:
            return None
        for slot in self._slots:
            if slot.rule.condition == condition and slot.rule.asset == asset:
                # Of now, not of the last tick: which ticks had anything to do is nobody's concern.
                return self._judge.verdict(slot, max(self.now, self._last_tick))
        return None

    def holding(self) -> dict[tuple[str, str], bool]:
        """Return for each watched condition and asset whether it last held, delays applied."""
        return {
            (s.rule.condition, s.rule.asset): s.standing is Standing.PRESENT for s in self._slots
        }

    # -- state -----------------------------------------------------------------------------------

    def dump(self) -> dict[str, Any]:
        """Return everything a restart needs, as JSON-able data."""
        return {
            "now_at": self.now, "tick_at": self._last_tick, "dirty_at": self.dirty_tick,
            "sweep_at": self._stale.next_at, "midnight_at": self._asking.midnight,
            "observed_from_at": self._judge.observed_from,
            "late_at": self._lateness.since, "stale": sorted(self.stale),
            "inputs": self.inputs.dump(),
            "fills": self.fills.dump(),
            "baselines": self.baselines.dump(),
            "rules": {s.key: s.dump() for s in self._slots},
            "estimates": self._asking.dump(),
        }

    def load(self, state: Mapping[str, Any]) -> None:
        """Take over a dumped state; rules it does not know begin afresh."""
        if not state or state.get("now_at") is None:
            return
        self.now, self._last_tick = state["now_at"], state["tick_at"]
        self.dirty_tick, self._lateness.since = state["dirty_at"], state["late_at"]
        self._judge.observed_from = state.get("observed_from_at", 0)
        self._stale.next_at, self._stale.points = state["sweep_at"], set(state["stale"])
        self.inputs.load(state["inputs"])
        self.fills.load(state.get("fills", {}))
        self.unread = all(p.heard_at is None for p in self.inputs.points.values())
        self.inputs.begin(state["now_at"])
        self.baselines.load(state.get("baselines", {}))
        for slot in self._slots:
            saved = state["rules"].get(slot.key)
            if saved is not None:
                slot.load(saved)
            self.mark(slot, state["now_at"])
        self._min_due = self._least_due()
        self._asking.load(state["estimates"], state["midnight_at"], state["now_at"])
        self._plan()
        self._resumed = True
