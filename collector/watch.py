"""The rules and the alarm book as one: readings and actions in, events out.

The live daemon and a replay use it alike. It knows no clock and does no I/O.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from collector.alarms.book import AlarmBook
from collector.alarms.windows import Windows
from collector.domain.actions import Action, Deed
from collector.domain.baselines import Baseline
from collector.domain.columns import Columns
from collector.domain.conditions import ConditionSettings
from collector.domain.events import AlarmMoved, Event, FactNoted
from collector.domain.fills import DeclaredFill
from collector.domain.live import LiveAlarm
from collector.domain.plant import Plant
from collector.domain.readings import Reading
from collector.domain.verdicts import NotWatched, Standing, Verdict
from collector.domain.windows import Window
from collector.rules.engine.engine import Engine
from collector.rules.engine.step import EngineStatistics, StepResult
from collector.rules.registry import build_rule_set

__all__ = ["Watch"]


class Watch:
    """Watches one plant. ``step`` is the tick of the evaluation grid in ms."""

    def __init__(self, *, plant: Plant, settings: ConditionSettings, step: int = 1000) -> None:
        self._engine = Engine(plant, settings, build_rule_set, step)
        names = {t.id: t.name for t in plant.things()}
        names |= {d.id: d.name for d in plant.devices.values()}
        names.setdefault(plant.site.id, plant.site.name)
        self._site = plant.site.id
        self._book = AlarmBook(plant.site.id, names, self._engine.says)
        self._windows = Windows(plant, self._book, self._engine.holding, names)
        self._alarms = _AlarmStage(self._engine, self._book, self._windows)

    def __repr__(self) -> str:
        return f"Watch({self._engine!r}, {self._book!r})"

    def feed(self, readings: Sequence[Reading]) -> list[Event]:
        """Take readings in the order of their time; ticks that are due before each run first.

        :meth:`Engine.advance` says what becomes of late readings and of a clock that was set back.
        """
        return self._advanced(None, readings)

    def feed_columns(self, columns: Columns) -> list[Event]:
        """Take readings in the order of their time as columns; the events are those of ``feed``."""
        return self._advanced(None, columns)

    def advance(self, now: int) -> list[Event]:
        """Run the ticks that are due at ``now`` or before."""
        return self._advanced(now)

    def _advanced(
        self, to: int | None, readings: Sequence[Reading] | Columns = (),
    ) -> list[Event]:
        self._engine.advance(to, readings, self._alarms)
        events, self._alarms.events = self._alarms.events, []
        return events

    def catch_up(
        self, readings: Sequence[Reading], now: int | None = None, *,
        facts: Sequence[FactNoted] = (),
    ) -> None:
        """Take in again what was fed, noted and journalled after the snapshot that was loaded.

        The rules move; the alarms do not: they were rebuilt from the events of that very stretch.
        """
        waiting = deque(facts)
        for reading in readings:
            while waiting and waiting[0].time <= reading.time:
                self._take(waiting.popleft())
            self._engine.advance(None, (reading,))
        for fact in waiting:
            self._take(fact)
        self._engine.advance(now)
        self._engine.resume()

    def _take(self, fact: FactNoted) -> None:
        self._windows.take(fact)
        self._engine.record_event(fact)

    def act(self, action: Action) -> list[Event]:
        """Carry out a person's action.

        Raises ``ActionRefused`` when the alarm's state does not list it, there is no such
        baseline to reset, or no such fill or window can be declared or ended; nothing has changed
        then.
        """
        if self._windows.concerns(action):
            return list(self._windows.act(action))
        if action.deed in (Deed.DECLARE_FILL, Deed.END_FILL):
            fact = self._engine.fills.request(action)
            self._engine.record_event(fact)
            return [fact]
        if action.deed is Deed.RESET_BASELINE:
            return [self._engine.reset_baseline(
                action.alarm, action.time, action.by, action.why,
            )]
        return list(self._book.act(action))

    def note(self, fact: FactNoted) -> list[Event]:
        """Take a fact of the daemon's own, after the ticks due before it.

        Returns the events of those ticks; what the fact itself leads to comes with the next tick.
        """
        events = self._advanced(fact.time)
        self._engine.record_event(fact)
        return events

    def declare_fill(self, asset: str, until: int) -> None:
        """Take it that a fill of ``asset`` (generator or riser) goes on until ``until`` (ms)."""
        self._engine.declare_fill(asset, until)

    def fills(self) -> list[DeclaredFill]:
        """Return the declared fills: until when, by whom, why, and what each holds back."""
        return self._engine.declared_fills()

    def alarms(self) -> list[LiveAlarm]:
        """Return every alarm that is not plainly normal, with the numbers of now where it holds."""
        return [self._up_to_date(alarm) for alarm in self._book.alarms()]

    def _up_to_date(self, alarm: LiveAlarm) -> LiveAlarm:
        verdict = self._engine.says(alarm.condition, alarm.asset) if alarm.present else None
        if verdict is None or verdict.standing is Standing.ABSENT:
            return alarm
        if verdict.standing is Standing.UNKNOWN:
            return replace(alarm, text=f"{alarm.text} Not known at present: {verdict.because}.")
        return replace(alarm, text=verdict.text, values=verdict.values)

    def verdicts(self) -> list[Verdict]:
        """Return what every rule says now, unknowns with their reason."""
        return self._engine.current()

    def not_watched(self) -> list[NotWatched]:
        """Return what cannot be watched, and why."""
        return list(self._engine.not_watched)

    def windows(self) -> list[Window]:
        """Return the impairments and visits that last, and what each keeps quiet."""
        return self._windows.standing()

    def baselines(self) -> list[Baseline]:
        """Return every baseline, learned or being learned."""
        return self._engine.baselines.standing()

    def statistics(self) -> EngineStatistics:
        """Return what the rules have done."""
        return self._engine.statistics()

    def dump(self) -> dict[str, Any]:
        """Return the state of the rules as JSON-able data; alarms are rebuilt from events."""
        return self._engine.dump() | {"windows": self._windows.dump()}

    def load(self, state: Mapping[str, Any], events: Iterable[AlarmMoved]) -> None:
        """Take over a dumped state, and rebuild the alarms from every alarm event there was."""
        self._engine.load(state)
        self._book.rebuild(events)
        self._windows.load(state.get("windows", ()))
        self._alarms.unsettled = True


class _AlarmStage:
    """Turns the result of each tick into events of alarms and windows."""

    def __init__(self, engine: Engine, book: AlarmBook, windows: Windows) -> None:
        self._engine, self._book, self._windows = engine, book, windows
        self.events: list[Event] = []
        self.unsettled = False
        """Whether the alarms were rebuilt and not yet compared with the rules."""

    def __repr__(self) -> str:
        return f"_AlarmStage({self._book!r}, {len(self.events)} events)"

    def begin(self, to: int) -> None:
        """After a restart, let the alarms agree with the rules: the site file may be another."""
        if not self.unsettled:
            return
        self.unsettled = False
        holding = self._engine.holding()
        self._book.standing(holding)
        self.events += self._book.settle(holding, to)
        moved = self._book.apply(v for v in self._engine.current() if holding[
            (v.condition, v.asset)])
        self.events += [*moved, *self._windows.after(moved, to)]

    def next_due(self) -> int | None:
        """Return when (ms) a shelf, a suppression or a window ends next."""
        dues = (self._book.next_due(), self._windows.next_due())
        return min((due for due in dues if due is not None), default=None)

    def stepped(self, result: StepResult) -> None:
        """Apply the result of a tick.

        A window suppresses the alarms it explains before their condition begins; what a shelf that
        ended raises within one is suppressed at once.
        """
        moved = self._book.apply(result.changed)
        self.events += moved
        self.events += self._windows.tick(result.at)
        ended = self._book.tick(result.at)
        self.events += ended
        self.events += self._windows.after([*moved, *ended], result.at)
        self.events += result.estimates
        self.events += result.facts
