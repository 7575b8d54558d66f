"""Runs the rules: on a grid of ticks, only where something changed, with the delays of each.

The engine knows no clock. Readings move it forward; every tick of the grid that is due before a
reading runs before that reading is taken. What it says therefore depends on the readings alone, and
a replay repeats it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from collector.domain.conditions import ConditionSettings
from collector.domain.events import EstimateMade, FactNoted
from collector.domain.fills import DeclaredFill
from collector.domain.plant import Plant
from collector.domain.readings import Reading
from collector.domain.verdicts import NotWatched, Standing, Verdict
from collector.rules.base import Context, Finding, Rule, shifted
from collector.rules.baselines import Baselines
from collector.rules.eased import eased
from collector.rules.estimates import Estimator
from collector.rules.explain import Explanations, sentences
from collector.rules.fills import Fills
from collector.rules.inputs import Inputs, Point
from collector.rules.registry import build_estimators, build_rules
from collector.rules.wording import Words

__all__ = ["CLOCK_SET", "Engine", "EngineStatistics"]

CLOCK_SET = 2000
"""ms by which time must run backwards to count as a clock that was set."""

_OUT_OF_ORDER = 60_000
"""ms by which recorded rows may be out of order: readings later than that may mean a set clock."""

_LATE_FOR_GOOD = 5000
"""ms of their own time that such readings must go on, with none in time, to prove it."""

_SWEEP = 30_000
"""ms between looks for points that went stale without a word."""

_DOWNTIME = 10_000
"""ms after a restart beyond which the pause counts as nobody having watched."""


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


@dataclass(slots=True)
class _Slot:
    """One rule and what was last said of it."""

    rule: Rule
    points: tuple[Point, ...]
    standing: Standing = Standing.ABSENT
    since: int | None = None
    raw: Standing | None = None
    raw_at: int | None = None
    because: str = ""
    unknown: bool = True
    due: int | None = None
    dirty: bool = True
    gone: int | None = None
    """When it last returned, ms."""
    held: str = ""
    """What explains it while it holds and is not raised for that."""


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
        slots = [_Slot(r, tuple(self.inputs.point(p) for p in r.needs)) for r in rules]
        self.fills = Fills(self.inputs, words)
        self._explain = Explanations(plant, self.inputs, words)
        self._explain.lay(slots)
        self._slots = self._explain.order(slots)
        self._silence = {s.rule.asset: s for s in slots if s.rule.condition == "device-silent"}
        self._estimators = build_estimators(context)
        self._interested: dict[str, list[_Slot]] = {}
        self._measured: dict[str, list[Estimator]] = {}
        for slot in self._slots:
            for name in slot.rule.inputs:
                self.inputs.point(name)
                self._interested.setdefault(name, []).append(slot)
        for estimator in self._estimators:
            for name in estimator.inputs:
                self.inputs.point(name)
                self._measured.setdefault(name, []).append(estimator)
        self.now: int | None = None
        self._last_tick: int | None = None
        self._dirty_tick: int | None = None
        self._min_due: int | None = None
        self._sweep: int | None = None
        self._midnight: int | None = None
        self._asked = False
        self._late_from: int | None = None
        self._resumed = False
        self._stale: set[str] = set()
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
            self._sweep = self._last_tick + _SWEEP
            self._midnight = self._words.next_midnight(now)
            self.inputs.begin(now)
            for estimator in self._estimators:
                estimator.begin(now)
            self._mark_all()
            return
        gap = now - self.now
        limit = _DOWNTIME if self._resumed else self.inputs.blind_after()
        if gap > limit:
            # Nobody watched: that is not the devices' silence.
            self.inputs.was_blind(gap)
            self._mark_all()
        self._resumed = False

    def arrive(self, now: int) -> None:
        """Say that the engine's time is ``now``, all due ticks having run."""
        if self.now is None or now > self.now:
            self.now = now

    def clock_set_to(self, now: int) -> None:
        """Move everything the engine remembers to a clock that was set back to ``now``."""
        if self.now is None:
            return
        by = now - self.now
        counts = self._counts
        self.load(shifted(self.dump(), by))
        # The grid itself does not move with the clock.
        self._last_tick = now // self.step * self.step
        self._resumed, self._late_from = False, None
        self._counts = counts
        self._counts["clock_sets"] += 1
        self._midnight = self._words.next_midnight(now)
        self._mark_all()

    def late(self, at: int) -> int | None:
        """Take note of a reading's time; return what the clock was set back to, once it is proven.

        One late reading is just late, and so are rows out of order within a minute. Older ones
        that go on by themselves are a new time.
        """
        if self.now is None or at >= self.now - CLOCK_SET:
            self._late_from = None
            return None
        if at >= self.now - _OUT_OF_ORDER:
            return None
        if self._late_from is None or at < self._late_from:
            self._late_from = at
            return None
        return self._late_from if at - self._late_from >= _LATE_FOR_GOOD else None

    def resume(self) -> None:
        """Take the pause that follows as the watch's own, not as anybody's silence."""
        self._resumed = True

    @property
    def last_tick(self) -> int | None:
        """The last tick that ran, ms."""
        return self._last_tick

    def next_due(self) -> int | None:
        """Return the next tick at which anything is to be judged, or ``None``."""
        if self._last_tick is None:
            return None
        found = self._dirty_tick
        for due in (self._min_due, self._sweep, self._midnight, self.fills.next_end()):
            if due is not None:
                tick = -(-due // self.step) * self.step
                found = tick if found is None or tick < found else found
        return None if found is None else max(found, self._last_tick + self.step)

    def _mark(self, slot: _Slot, at: int) -> None:
        slot.dirty = True
        if self._dirty_tick is None:
            self._dirty_tick = at // self.step * self.step + self.step

    def _mark_all(self) -> None:
        for slot in self._slots:
            slot.dirty = True
        if self.now is not None and self._dirty_tick is None:
            self._dirty_tick = self.now // self.step * self.step + self.step

    # -- readings --------------------------------------------------------------------------------

    def observe(self, reading: Reading) -> None:
        """Take one reading; its ticks have run."""
        self._counts["readings"] += 1
        name, at = reading.point, reading.time
        took = self.inputs.take(reading)
        slots = self._interested.get(name)
        if took is None:
            if slots and reading.usable is None:
                for slot in slots:
                    self._mark(slot, at)
            return
        point, before = took
        value = point.value
        assert value is not None  # noqa: S101 - take() gave a value
        back = name in self._stale
        if back:
            self._stale.discard(name)
        for slot in slots or ():
            rule = slot.rule
            band = rule.quiet(name)
            if (
                band is not None and band[0] <= value <= band[1]
                and before is not None and at - before <= rule.gap(name) and not slot.unknown
            ):
                continue
            if rule.observe(name, at, value, before) or slot.unknown or back:
                self._mark(slot, at)
        for estimator in self._measured.get(name, ()):
            estimator.observe(name, at, value, before)
            if estimator.wanted:
                self._ask(at)

    def _ask(self, at: int) -> None:
        """Let the next tick ask the estimators that have news."""
        self._asked = True
        if self._dirty_tick is None:
            self._dirty_tick = at // self.step * self.step + self.step

    def declare_fill(self, asset: str, until: int) -> None:
        """Take it that a fill of ``asset`` (generator or riser) goes on until ``until`` (ms)."""
        self.inputs.fills[asset] = until
        self._mark_all()

    def declared_fills(self) -> list[DeclaredFill]:
        """Return the declared fills, each with what it holds back."""
        rules = [slot.rule for slot in self._slots]
        return [eased(fill, self.inputs.plant, rules) for fill in self.fills.standing()]

    def note(self, fact: FactNoted) -> None:
        """Take a fact of people or of the daemon itself; its ticks have run."""
        if self.fills.take(fact):
            self._mark_all()
        for slot in self._slots:
            if fact.fact in slot.rule.facts and slot.rule.note(fact):
                self._mark(slot, fact.time if self.now is None else self.now)

    # -- judging ---------------------------------------------------------------------------------

    def tick(self, now: int) -> list[Verdict]:
        """Judge what is due at ``now``; return the verdicts whose standing changed."""
        self._counts["ticks"] += 1
        self._last_tick = now
        self._dirty_tick = None
        if self.fills.tick(now):
            for slot in self._slots:
                slot.dirty = True
        if self._sweep is not None and now >= self._sweep:
            self._look_for_stale(now)
            self._sweep = now // _SWEEP * _SWEEP + _SWEEP
        changed = []
        for slot in self._slots:
            if slot.dirty or (slot.due is not None and slot.due <= now):
                verdict = self._judge(slot, now)
                if verdict is not None:
                    changed.append(verdict)
        self._min_due = min((s.due for s in self._slots if s.due is not None), default=None)
        return changed

    def estimates(self, now: int) -> list[EstimateMade]:
        """Return the day's estimates at the site's midnight, else those with news."""
        if self._midnight is None or now < self._midnight:
            asked, self._asked = self._asked, False
            ready = [e for e in self._estimators if e.wanted] if asked else []
            return [made for e in ready if (made := e.make(now)) is not None]
        at = self._midnight
        self._midnight = self._words.next_midnight(max(at, now))
        return [e for estimator in self._estimators if (e := estimator.make(now)) is not None]

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

    def _look_for_stale(self, now: int) -> None:
        for name, slots in self._interested.items():
            point = self.inputs.points[name]
            if name in self._stale or point.at is None:
                continue
            if not point.fresh(now) or point.source.silent(now):
                self._stale.add(name)
                for slot in slots:
                    slot.dirty = True

    def _blind(self, slot: _Slot, now: int) -> str:
        for point in slot.points:
            if point.source.silent(now):
                silence = self._silence.get(point.source.id)
                explained = self._explain.holding(silence, now) if silence is not None else None
                why = f"; explained by {explained.why}" if explained is not None else ""
                return f"{self._words.name(point.source.id)} does not answer{why}"
            if not point.fresh(now, slot.rule.gap(point.name)):
                when = "yet" if point.at is None else f"since {self._words.instant(point.at)}"
                return f"no usable {self._words.label(point.name)} {when}"
        return ""

    def _judge(self, slot: _Slot, now: int) -> Verdict | None:
        self._counts["judged"] += 1
        slot.dirty, slot.held = False, ""
        because = self._blind(slot, now)
        if because:
            because = "; ".join([because, *self._explain.telling(slot, now)])
        finding = Finding.unknown(because) if because else slot.rule.judge(now)
        slot.due = None if because else slot.rule.due(now)
        if finding.standing is Standing.UNKNOWN:
            news = not slot.unknown or slot.because != finding.because
            slot.unknown, slot.because = True, finding.because
            return self._verdict(slot, now) if news else None
        if finding.standing is not slot.raw:
            slot.raw, slot.raw_at = finding.standing, now
        news = slot.unknown
        slot.unknown, slot.because = False, ""
        if finding.standing is not slot.standing:
            news = self._delayed(slot, finding, now) or news
        elif finding.standing is Standing.PRESENT and finding.since is not None:
            slot.since = finding.since
        return self._verdict(slot, now) if news else None

    def _delayed(self, slot: _Slot, finding: Finding, now: int) -> bool:
        rising = finding.standing is Standing.PRESENT
        delay = slot.rule.on_delay if rising else slot.rule.off_delay
        began = next(
            t for t in (finding.held, finding.since, slot.raw_at, now) if t is not None
        )
        if now < began + delay:
            slot.due = min(t for t in (slot.due, began + delay) if t is not None)
            return False
        explained = self._explain.holding(slot, now) if rising else None
        if explained is not None:
            slot.held = explained.why
            slot.due = min(t for t in (slot.due, explained.again) if t is not None)
            return False
        slot.standing = finding.standing
        slot.since = (finding.since if finding.since is not None else began) if rising else None
        if not rising:
            slot.gone = now
        for dependent in self._dependents(slot):
            self._mark(dependent, now)
        return True

    def _dependents(self, slot: _Slot) -> list[_Slot]:
        return [s for s in self._explain.dependents(slot) if isinstance(s, _Slot)]

    def _verdict(self, slot: _Slot, now: int) -> Verdict:
        rule = slot.rule
        standing = Standing.UNKNOWN if slot.unknown else slot.standing
        values, text = ({}, "") if standing is not Standing.PRESENT else rule.describe(now)
        if text:
            text = self._words.with_reason(text, sentences(
                self._explain.telling(slot, now), self._explain.told_of(slot),
            ))
        because = f"it holds, but is explained by {slot.held}" if slot.held else slot.because
        return Verdict(
            condition=rule.condition, asset=rule.asset, standing=standing, time=now,
            since=slot.since, values=values, text=text, because=because,
        )

    def current(self) -> list[Verdict]:
        """Return every rule's verdict as it stands, worded now."""
        if self._last_tick is None:
            return []
        return [self._verdict(slot, self._last_tick) for slot in self._slots]

    def says(self, condition: str, asset: str) -> Verdict | None:
        """Return one rule's verdict as it stands, worded now; ``None`` where there is no rule."""
        if self._last_tick is None or self.now is None:
            return None
        for slot in self._slots:
            if slot.rule.condition == condition and slot.rule.asset == asset:
                # Of now, not of the last tick: which ticks had anything to do is nobody's concern.
                return self._verdict(slot, max(self.now, self._last_tick))
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
            "now_at": self.now, "tick_at": self._last_tick, "dirty_at": self._dirty_tick,
            "sweep_at": self._sweep, "midnight_at": self._midnight, "late_at": self._late_from,
            "stale": sorted(self._stale),
            "inputs": self.inputs.dump(),
            "fills": self.fills.dump(),
            "baselines": self.baselines.dump(),
            "rules": {
                f"{s.rule.condition} {s.rule.asset}": {
                    "standing": s.standing.value, "since_at": s.since,
                    "raw": None if s.raw is None else s.raw.value, "raw_at": s.raw_at,
                    "because": s.because, "unknown": s.unknown, "due_at": s.due,
                    "dirty": s.dirty, "gone_at": s.gone, "held": s.held, "state": s.rule.dump(),
                }
                for s in self._slots
            },
            "estimates": {f"{e.quantity} {e.asset}": e.dump() for e in self._estimators},
        }

    def load(self, state: Mapping[str, Any]) -> None:
        """Take over a dumped state; rules it does not know begin afresh."""
        if not state or state.get("now_at") is None:
            return
        self.now, self._last_tick = state["now_at"], state["tick_at"]
        self._dirty_tick, self._sweep = state["dirty_at"], state["sweep_at"]
        self._midnight, self._late_from = state["midnight_at"], state["late_at"]
        self._stale = set(state["stale"])
        self.inputs.load(state["inputs"])
        self.inputs.begin(state["now_at"])
        self.fills.load(state.get("fills", {}))
        self.baselines.load(state.get("baselines", {}))
        for slot in self._slots:
            saved = state["rules"].get(f"{slot.rule.condition} {slot.rule.asset}")
            if saved is None:
                self._mark(slot, state["now_at"])
                continue
            slot.standing, slot.since = Standing(saved["standing"]), saved["since_at"]
            slot.raw = None if saved["raw"] is None else Standing(saved["raw"])
            slot.raw_at, slot.because = saved["raw_at"], saved["because"]
            slot.unknown, slot.due, slot.dirty = saved["unknown"], saved["due_at"], saved["dirty"]
            slot.gone, slot.held = saved.get("gone_at"), saved.get("held", "")
            slot.rule.load(saved["state"])
            # The site file may be another: a deadline set by the old limits says nothing.
            self._mark(slot, state["now_at"])
        self._min_due = min((s.due for s in self._slots if s.due is not None), default=None)
        for estimator in self._estimators:
            saved = state["estimates"].get(f"{estimator.quantity} {estimator.asset}")
            if saved is not None:
                estimator.load(saved)
            else:
                estimator.begin(state["now_at"])
        self._asked = any(e.wanted for e in self._estimators)
        self._resumed = True
