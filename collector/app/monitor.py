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
from collector.domain.actions import ActionKind, Baseline, DeclaredFill, OperatorAction, Window
from collector.domain.conditions import ConditionSettings
from collector.domain.evaluations import ConditionState, Evaluation, NotMonitored
from collector.domain.events import AlarmTransition, Event, SystemEvent
from collector.domain.live import LiveAlarm
from collector.domain.plant import Plant
from collector.domain.readings import Columns, Reading
from collector.rules.engine.engine import Engine
from collector.rules.engine.step import EngineStatistics, StepResult
from collector.rules.registry import build_rule_set


class SiteMonitor:
    """Monitors one plant. ``step`` is the tick of the evaluation grid in ms."""

    def __init__(self, *, plant: Plant, settings: ConditionSettings, step: int = 1000) -> None:
        self._engine = Engine(plant, settings, build_rule_set, step)
        names = {t.id: t.name for t in plant.things()}
        names |= {d.id: d.name for d in plant.devices.values()}
        names.setdefault(plant.site.id, plant.site.name)
        self._site = plant.site.id
        self._registry = AlarmRegistry(plant.site.id, names, self._engine.says)
        self._windows = Windows(plant, self._registry, self._engine.holding, names)
        self._alarms = _AlarmStage(self._engine, self._registry, self._windows)

    def __repr__(self) -> str:
        return f"SiteMonitor({self._engine!r}, {self._registry!r})"

    def feed(self, readings: Sequence[Reading]) -> list[Event]:
        """Evaluate readings in the order of their time; due ticks before each run first.

        :meth:`Engine.advance` handles late readings and a clock that was set back.
        """
        return self._advanced(None, readings)

    def feed_columns(self, columns: Columns) -> list[Event]:
        """Evaluate readings given as columns; the events are the same as those of ``feed``."""
        return self._advanced(None, columns)

    def advance(self, now: int) -> list[Event]:
        """Run the ticks that are due at ``now`` or earlier."""
        return self._advanced(now)

    def _advanced(
        self, to: int | None, readings: Sequence[Reading] | Columns = (),
    ) -> list[Event]:
        self._engine.advance(to, readings, self._alarms)
        events, self._alarms.events = self._alarms.events, []
        return events

    def catch_up(
        self, readings: Sequence[Reading], now: int | None = None, *,
        facts: Sequence[SystemEvent] = (),
    ) -> None:
        """Feed again the readings and events journalled after the snapshot that was loaded.

        Only the rules change: the alarms were rebuilt from the journalled transitions.
        """
        waiting = deque(facts)
        for reading in readings:
            while waiting and waiting[0].time <= reading.time:
                self._apply(waiting.popleft())
            self._engine.advance(None, (reading,))
        for fact in waiting:
            self._apply(fact)
        self._engine.advance(now)
        self._engine.resume()

    def _apply(self, fact: SystemEvent) -> None:
        self._windows.apply(fact)
        self._engine.record_event(fact)

    def act(self, action: OperatorAction) -> list[Event]:
        """Carry out an operator action.

        Raises ``ActionRefused``, with nothing changed, when the alarm's state does not allow it,
        there is no such baseline to reset, or no such fill or window to declare or end.
        """
        if self._windows.handles(action):
            return list(self._windows.act(action))
        if action.kind in (ActionKind.DECLARE_FILL, ActionKind.END_FILL):
            fact = self._engine.fills.request(action)
            self._engine.record_event(fact)
            return [fact]
        if action.kind is ActionKind.RESET_BASELINE:
            return [self._engine.reset_baseline(
                action.alarm, action.time, action.by, action.why,
            )]
        return list(self._registry.act(action))

    def record_event(self, fact: SystemEvent) -> list[Event]:
        """Apply an event of the daemon's own, after the ticks due before it.

        Returns the events of those ticks; what the event causes comes with the next tick.
        """
        events = self._advanced(fact.time)
        self._engine.record_event(fact)
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
        evaluation = self._engine.says(alarm.condition, alarm.asset) if alarm.present else None
        if evaluation is None or evaluation.state is ConditionState.INACTIVE:
            return alarm
        if evaluation.state is ConditionState.UNKNOWN:
            return replace(alarm, text=f"{alarm.text} Not known at present: {evaluation.because}.")
        return replace(alarm, text=evaluation.text, values=evaluation.values)

    def evaluations(self) -> list[Evaluation]:
        """Return the current evaluation of every rule; an unknown one has its reason."""
        return self._engine.current()

    def not_monitored(self) -> list[NotMonitored]:
        """Return the conditions that cannot be monitored, with the reason."""
        return list(self._engine.not_monitored)

    def windows(self) -> list[Window]:
        """Return the active impairments and visits, with the alarms each inhibits."""
        return self._windows.active()

    def planned_windows(self) -> list[Window]:
        """Return the impairments and visits that begin later."""
        return self._windows.planned()

    def baselines(self) -> list[Baseline]:
        """Return every baseline, learned or being learned."""
        return self._engine.baselines.current()

    def statistics(self) -> EngineStatistics:
        """Return the counts of the rules."""
        return self._engine.statistics()

    def dump(self) -> dict[str, Any]:
        """Return the rules' state as JSON-able data; alarms are rebuilt from their events."""
        return self._engine.dump() | {"windows": self._windows.dump()}

    def load(self, state: Mapping[str, Any], events: Iterable[AlarmTransition]) -> None:
        """Restore a dumped state, and rebuild the alarms from all their events."""
        self._engine.load(state)
        self._registry.rebuild(events)
        self._windows.load(state.get("windows", ()))
        self._alarms.unsettled = True


class _AlarmStage:
    """Turns the result of each tick into events of alarms and windows."""

    def __init__(self, engine: Engine, registry: AlarmRegistry, windows: Windows) -> None:
        self._engine, self._registry, self._windows = engine, registry, windows
        self.events: list[Event] = []
        self.unsettled = False
        """Whether the alarms were rebuilt and not yet compared with the rules."""

    def __repr__(self) -> str:
        return f"_AlarmStage({self._registry!r}, {len(self.events)} events)"

    def begin(self, to: int) -> None:
        """After a restart, reconcile the alarms with the rules: the site file may have changed."""
        if not self.unsettled:
            return
        self.unsettled = False
        holding = self._engine.holding()
        self._registry.restore_active(holding)
        self.events += self._registry.reconcile(holding, to)
        moved = self._registry.apply(v for v in self._engine.current() if holding[
            (v.condition, v.asset)])
        self.events += [*moved, *self._windows.after(moved, to)]

    def next_due(self) -> int | None:
        """Return the instant (ms) at which the next shelf, suppression or window ends."""
        dues = (self._registry.next_due(), self._windows.next_due())
        return min((due for due in dues if due is not None), default=None)

    def stepped(self, result: StepResult) -> None:
        """Apply the result of a tick.

        A window inhibits the alarms it explains before their condition becomes active; one that a
        shelf's end raises within a window is inhibited at once.
        """
        moved = self._registry.apply(result.changed)
        self.events += moved
        self.events += self._windows.tick(result.at)
        ended = self._registry.tick(result.at)
        self.events += ended
        self.events += self._windows.after([*moved, *ended], result.at)
        self.events += result.estimates
        self.events += result.facts
