"""The site monitor: readings and operator actions in, events out.

It joins the rules, the alarm registry and the windows. The live daemon and a replay use the same
class. It has no clock and does no I/O.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from collector.alarms.registry import AlarmRegistry
from collector.alarms.windows import Windows
from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.baselines import Baseline
from collector.domain.columns import Columns, readings_of
from collector.domain.conditions import ConditionSettings
from collector.domain.events import AlarmMoved, Event, FactNoted
from collector.domain.fills import DeclaredFill
from collector.domain.live import LiveAlarm
from collector.domain.plant import Plant
from collector.domain.readings import Reading
from collector.domain.verdicts import NotWatched, Standing, Verdict
from collector.domain.windows import Window
from collector.rules.columns import ColumnFeeder
from collector.rules.engine import Engine, EngineStatistics
from collector.rules.lateness import CLOCK_SET

__all__ = ["Watch"]


class Watch:
    """Monitors one plant. ``step`` is the tick of the evaluation grid in ms."""

    def __init__(self, *, plant: Plant, settings: ConditionSettings, step: int = 1000) -> None:
        self._engine = Engine(plant, settings, step)
        self._step = step
        names = {t.id: t.name for t in plant.things()}
        names |= {d.id: d.name for d in plant.devices.values()}
        names.setdefault(plant.site.id, plant.site.name)
        self._site = plant.site.id
        self._registry = AlarmRegistry(plant.site.id, names, self._engine.says)
        self._windows = Windows(plant, self._registry, self._engine.holding, names)
        self._unsettled = False

    def __repr__(self) -> str:
        return f"Watch({self._engine!r}, {self._registry!r})"

    def feed(self, readings: Sequence[Reading]) -> list[Event]:
        """Evaluate readings in the order of their time; due ticks before each run first.

        Readings older than the newest count as late. When readings are older by more than a minute
        and continue for 5 s of their own time, the clock was set back, and the instants in the
        rules' state move with it. (:meth:`advance` is given the time and detects it at once.)
        """
        events: list[Event] = []
        for reading in readings:
            self._feed_one(reading, events)
        return events

    def feed_columns(self, columns: Columns) -> list[Event]:
        """Evaluate readings given as columns; the events are the same as those of ``feed``.

        Needs numpy.
        """
        events: list[Event] = []
        start, count = 0, len(columns)
        while start < count and not self._in_time(int(columns.times[start])):
            # Late rows, or the first after a start: one by one until the columns are ahead.
            end = int(columns.times.searchsorted(columns.times[start], side="right"))
            for reading in readings_of(columns.take(slice(start, end))):
                self._feed_one(reading, events)
            start = end
        if start < count:
            ColumnFeeder(
                self._engine, columns.take(slice(start, None)),
                run_to=lambda now: self._run_to(now, events), next_tick=self._next_tick(),
            ).feed()
        return events

    def _in_time(self, at: int) -> bool:
        return self._engine.in_time(at) and not self._unsettled

    def _feed_one(self, reading: Reading, events: list[Event] | None) -> None:
        engine = self._engine
        set_back = engine.late(reading.time)
        if set_back is not None:
            engine.clock_set_to(set_back)
        if engine.now is None or reading.time > engine.now:
            self._run_to(reading.time, events)
        if engine.unread:
            engine.begin_again(reading.time)
        engine.observe(reading)

    def advance(self, now: int) -> list[Event]:
        """Run the ticks that are due at ``now`` or earlier."""
        events: list[Event] = []
        self._advance(now, events)
        return events

    def _advance(self, now: int, events: list[Event] | None) -> None:
        at = self._engine.now
        if at is not None and now < at - CLOCK_SET:
            self._engine.clock_set_to(now)
        elif at is None or now > at:
            self._run_to(now, events)

    def catch_up(
        self, readings: Sequence[Reading], now: int | None = None, *,
        facts: Sequence[FactNoted] = (),
    ) -> None:
        """Feed again the readings and events journalled after the snapshot that was loaded.

        Only the rules change: the alarms were rebuilt from the journalled transitions.
        """
        waiting = deque(facts)
        for reading in readings:
            while waiting and waiting[0].time <= reading.time:
                self._take(waiting.popleft())
            self._feed_one(reading, None)
        for fact in waiting:
            self._take(fact)
        if now is not None:
            self._advance(now, None)
        self._engine.resume()

    def _take(self, fact: FactNoted) -> None:
        self._windows.apply(fact)
        self._engine.note(fact)

    def act(self, action: OperatorAction) -> list[Event]:
        """Carry out an operator action.

        Raises ``ActionRefused``, with nothing changed, when the alarm's state does not allow it,
        there is no such baseline to reset, or no such fill or window to declare or end.
        """
        if self._windows.handles(action):
            return list(self._windows.act(action))
        if action.deed in (ActionKind.DECLARE_FILL, ActionKind.END_FILL):
            fact = self._engine.fills.asked(action)
            self._engine.note(fact)
            return [fact]
        if action.deed is ActionKind.RESET_BASELINE:
            return [self._engine.reset_baseline(
                action.alarm, action.time, action.by, action.why,
            )]
        return list(self._registry.act(action))

    def note(self, fact: FactNoted) -> list[Event]:
        """Apply an event of the daemon's own, after the ticks due before it.

        Returns the events of those ticks; what the event causes comes with the next tick.
        """
        events: list[Event] = []
        self._advance(fact.time, events)
        self._engine.note(fact)
        return events

    def declare_fill(self, asset: str, until: int) -> None:
        """Declare a fill of ``asset`` (generator or riser) until ``until`` (ms)."""
        self._engine.declare_fill(asset, until)

    def fills(self) -> list[DeclaredFill]:
        """Return the declared fills: end, operator, reason, and the alarms each suppresses."""
        return self._engine.declared_fills()

    def alarms(self) -> list[LiveAlarm]:
        """Return every alarm not in the normal state; an active one with its current numbers."""
        return [self._up_to_date(alarm) for alarm in self._registry.alarms()]

    def _up_to_date(self, alarm: LiveAlarm) -> LiveAlarm:
        verdict = self._engine.says(alarm.condition, alarm.asset) if alarm.present else None
        if verdict is None or verdict.standing is Standing.ABSENT:
            return alarm
        if verdict.standing is Standing.UNKNOWN:
            return replace(alarm, text=f"{alarm.text} Not known at present: {verdict.because}.")
        return replace(alarm, text=verdict.text, values=verdict.values)

    def verdicts(self) -> list[Verdict]:
        """Return the current evaluation of every rule; an unknown one has its reason."""
        return self._engine.current()

    def not_watched(self) -> list[NotWatched]:
        """Return the conditions that cannot be monitored, with the reason."""
        return list(self._engine.not_watched)

    def windows(self) -> list[Window]:
        """Return the active impairments and visits, with the alarms each inhibits."""
        return self._windows.active()

    def baselines(self) -> list[Baseline]:
        """Return every baseline, learned or being learned."""
        return self._engine.baselines.standing()

    def statistics(self) -> EngineStatistics:
        """Return the counts of the rules."""
        return self._engine.statistics()

    def dump(self) -> dict[str, Any]:
        """Return the rules' state as JSON-able data; alarms are rebuilt from their events."""
        return self._engine.dump() | {"windows": self._windows.dump()}

    def load(self, state: Mapping[str, Any], events: Iterable[AlarmMoved]) -> None:
        """Restore a dumped state, and rebuild the alarms from all their events."""
        self._engine.load(state)
        self._registry.rebuild(events)
        self._windows.load(state.get("windows", ()))
        self._unsettled = True

    # -- ticking ---------------------------------------------------------------------------------

    def _run_to(self, now: int, events: list[Event] | None) -> int | None:
        """Run the ticks that are due at ``now`` or earlier; return the next."""
        engine = self._engine
        if events is not None and self._unsettled:
            self._settle(now, events)
        engine.begin(now)
        timed = None if events is None else self._next_timed()
        while True:
            due = engine.next_due()
            rules_only = due is not None and (timed is None or due < timed)
            if not rules_only:
                due = timed
            if due is None or due > now:
                break
            if not (rules_only and engine.idle(due)):
                self._tick(due, events)
                timed = None if events is None else self._next_timed()
        engine.arrive(now)
        return due

    def _next_tick(self) -> int | None:
        dues = (self._engine.next_due(), self._next_timed())
        return min((due for due in dues if due is not None), default=None)

    def _next_timed(self) -> int | None:
        """Return the next tick at which a shelf, a suppression or a window ends."""
        found = None
        for timed in (self._registry.next_due(), self._windows.next_due()):
            if timed is None:
                continue
            tick = -(-timed // self._step) * self._step
            last = self._engine.last_tick
            if last is not None and tick <= last:
                tick = last + self._step
            found = tick if found is None else min(found, tick)
        return found

    def _tick(self, due: int, events: list[Event] | None) -> None:
        verdicts = self._engine.tick(due)
        estimates = self._engine.estimates(due)
        facts = self._engine.facts()
        if events is None:
            return
        # An alarm that a window covers is inhibited before its condition becomes active; one that
        # a shelf's end raises within a window is inhibited at once.
        moved = self._registry.apply(verdicts)
        events += moved
        events += self._windows.tick(due)
        ended = self._registry.tick(due)
        events += ended
        events += self._windows.after([*moved, *ended], due)
        events += estimates
        events += facts

    def _settle(self, now: int, events: list[Event]) -> None:
        """After a restart, reconcile the alarms with the rules: the site file may have changed."""
        self._unsettled = False
        holding = self._engine.holding()
        self._registry.restore_active(holding)
        events += self._registry.reconcile(holding, now)
        moved = self._registry.apply(v for v in self._engine.current() if holding[
            (v.condition, v.asset)])
        events += [*moved, *self._windows.after(moved, now)]
