"""The registry of alarms: evaluations and operator actions in, transitions out.

The registry keeps no file of its own. It is rebuilt from the alarm events it gave; only whether the
condition of a shelved or suppressed alarm is active comes from the rules
(:meth:`AlarmRegistry.restore_active`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from collector.alarms import Input, step
from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.conditions import CATALOGUE
from collector.domain.errors import ActionRefused
from collector.domain.evaluations import ConditionState, Evaluation
from collector.domain.events import AlarmTransition, Transition
from collector.domain.live import AlarmState, LiveAlarm
from collector.domain.units import duration_text

Key = tuple[str, str]

_LEAVING: Mapping[ActionKind, tuple[Input, Input]] = {
    ActionKind.UNSHELVE: (Input.UNSHELVE_NORMAL, Input.UNSHELVE_ABNORMAL),
    ActionKind.UNSUPPRESS: (Input.UNSUPPRESS_NORMAL, Input.UNSUPPRESS_ABNORMAL),
    ActionKind.PUT_BACK: (Input.PUT_BACK_NORMAL, Input.PUT_BACK_ABNORMAL),
}
_PLAIN: Mapping[ActionKind, Input] = {
    ActionKind.ACKNOWLEDGE: Input.ACKNOWLEDGE, ActionKind.SHELVE: Input.SHELVE,
    ActionKind.SUPPRESS: Input.SUPPRESS, ActionKind.TAKE_OUT: Input.TAKE_OUT,
}
_NEEDS_WHY = (ActionKind.SHELVE, ActionKind.TAKE_OUT)
_TIMED: Mapping[AlarmState, ActionKind] = {
    AlarmState.SHELVED: ActionKind.UNSHELVE, AlarmState.SUPPRESSED: ActionKind.UNSUPPRESS,
    AlarmState.OUT_OF_SERVICE: ActionKind.PUT_BACK,
}
_AFTER: Mapping[Transition, AlarmState] = {
    Transition.RAISED: AlarmState.UNACKNOWLEDGED,
    Transition.SHELVED: AlarmState.SHELVED, Transition.SUPPRESSED: AlarmState.SUPPRESSED,
    Transition.OUT_OF_SERVICE: AlarmState.OUT_OF_SERVICE, Transition.UNSHELVED: AlarmState.NORMAL,
    Transition.UNSUPPRESSED: AlarmState.NORMAL, Transition.IN_SERVICE: AlarmState.NORMAL,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RegistryStatistics:
    """Number of alarms in each state other than normal."""

    states: Mapping[str, int]


@dataclass(slots=True)
class _Entry:
    """One alarm and its last event."""

    state: AlarmState = AlarmState.NORMAL
    last: AlarmTransition | None = None
    present: bool = False
    raised: int | None = None
    inhibited_by: str = ""
    inhibited_why: str = ""
    until: int | None = None


@dataclass(slots=True)
class _Move:
    """The cause of a transition: its time, its operator, its evaluation."""

    time: int
    by: str = ""
    why: str = ""
    until: int | None = None
    evaluation: Evaluation | None = None


class AlarmRegistry:
    """The alarms of one site.

    ``names`` are the assets' display names; ``evaluation_of`` returns the current evaluation of a
    condition of an asset, for an alarm that is raised when it leaves the shelf.
    """

    def __init__(
        self, site: str, names: Mapping[str, str] | None = None,
        evaluation_of: Callable[[str, str], Evaluation | None] = lambda condition, asset: None,
    ) -> None:
        self._site = site
        self._evaluation_of = evaluation_of
        self._names = names or {}
        self._entries: dict[Key, _Entry] = {}

    def __repr__(self) -> str:
        return f"AlarmRegistry({self._site}, {len(self.alarms())} live)"

    def statistics(self) -> RegistryStatistics:
        """Return counts by state."""
        states: dict[str, int] = {}
        for alarm in self.alarms():
            states[alarm.state.value] = states.get(alarm.state.value, 0) + 1
        return RegistryStatistics(states=states)

    # -- evaluations -----------------------------------------------------------------------------

    def apply(self, evaluations: Iterable[Evaluation]) -> list[AlarmTransition]:
        """Apply evaluations; one that is unknown, or the same as before, changes nothing."""
        moved: list[AlarmTransition] = []
        for evaluation in evaluations:
            if evaluation.state is ConditionState.UNKNOWN:
                continue
            key = (evaluation.condition, evaluation.asset)
            present = evaluation.state is ConditionState.ACTIVE
            entry = self._entries.get(key)
            if entry is None:
                if not present:
                    continue
                entry = self._entries[key] = _Entry()
            if present is entry.present:
                continue
            entry.present = present
            given = Input.ABNORMAL if present else Input.NORMAL
            moved += self._move(key, entry, given, _Move(evaluation.time, evaluation=evaluation))
        return moved

    def restore_active(self, holding: Mapping[Key, bool]) -> None:
        """Set, after a rebuild, whether the condition of each inhibited alarm is active."""
        for key, entry in self._entries.items():
            if entry.state in _TIMED:
                entry.present = holding.get(key, False)

    def reconcile(self, holding: Mapping[Key, bool], now: int) -> list[AlarmTransition]:
        """Return to normal each alarm whose condition is inactive or no longer monitored."""
        moved: list[AlarmTransition] = []
        for key, entry in list(self._entries.items()):
            if entry.present and not holding.get(key, False):
                entry.present = False
                why = "" if key in holding else "it is no longer watched"
                moved += self._move(key, entry, Input.NORMAL, _Move(now, why=why))
        return moved

    # -- operator actions ------------------------------------------------------------------------

    def act(self, action: OperatorAction) -> list[AlarmTransition]:
        """Carry out an operator action.

        Raises ``ActionRefused`` before any effect when the alarm is not there, its state does not
        list the action, or a reason or an end that it needs is missing.
        """
        key = self._find(action.alarm)
        if action.kind in _NEEDS_WHY and not action.why.strip():
            raise ActionRefused(f"to {action.kind.value.replace('-', ' ')} an alarm needs a reason")
        if action.kind is ActionKind.SHELVE and action.until is None:
            raise ActionRefused("to shelve an alarm needs a time when it ends")
        if action.until is not None and action.until <= action.time:
            raise ActionRefused("the end given is already past")
        entry = self._entries.get(key) or _Entry()
        plain = _PLAIN.get(action.kind)
        given = plain if plain is not None else _LEAVING[action.kind][entry.present]
        step(entry.state, given)
        self._entries[key] = entry
        return self._move(
            key, entry, given, _Move(action.time, action.by, action.why, action.until),
        )

    def _find(self, alarm: str) -> Key:
        for key, entry in self._entries.items():
            if entry.last is not None and entry.last.id == alarm \
                    and entry.state is not AlarmState.NORMAL:
                return key
        condition, _, asset = alarm.partition(".")
        if condition in CATALOGUE and asset and (not self._names or asset in self._names):
            return condition, asset
        raise ActionRefused(f"no such alarm stands: {alarm}")

    # -- time ------------------------------------------------------------------------------------

    def next_due(self) -> int | None:
        """Return the instant (ms) at which the next shelf or suppression ends, or ``None``."""
        return min([e.until for e in self._entries.values() if e.until is not None], default=None)

    def tick(self, now: int) -> list[AlarmTransition]:
        """End each shelf, suppression and time out of service that has run out."""
        moved: list[AlarmTransition] = []
        for key, entry in self._entries.items():
            if entry.until is not None and entry.until <= now and entry.state in _TIMED:
                given = _LEAVING[_TIMED[entry.state]][entry.present]
                moved += self._move(key, entry, given, _Move(now, why="its time is up"))
        return moved

    # -- live alarms -----------------------------------------------------------------------------

    def alarms(self) -> list[LiveAlarm]:
        """Return every alarm that is not in the normal state, by the time it was raised."""
        live = [
            self._live(entry) for entry in self._entries.values()
            if entry.state is not AlarmState.NORMAL and entry.last is not None
        ]
        return sorted(live, key=lambda a: (a.raised, a.id))

    def _live(self, entry: _Entry) -> LiveAlarm:
        last = entry.last
        assert last is not None  # noqa: S101 - asked for by alarms() only
        return LiveAlarm(
            id=last.id, condition=last.condition, asset=last.asset, state=entry.state,
            signal=last.signal, priority=last.priority, present=entry.present,
            since=last.since, raised=entry.raised if entry.raised is not None else last.time,
            text=last.text, values=last.values,
            by=entry.inhibited_by, why=entry.inhibited_why, until=entry.until,
        )

    def rebuild(self, events: Iterable[AlarmTransition]) -> None:
        """Start again from the alarm events of the journal, given in their order."""
        self._entries = {}
        for event in events:
            entry = self._entries.setdefault((event.condition, event.asset), _Entry())
            self._remember(entry, event, self._state_after(entry, event))

    @staticmethod
    def _state_after(entry: _Entry, event: AlarmTransition) -> AlarmState:
        match event.transition:
            case Transition.ACKNOWLEDGED:
                gone = entry.state is AlarmState.RETURNED_UNACKNOWLEDGED
                return AlarmState.NORMAL if gone else AlarmState.ACKNOWLEDGED
            case Transition.RETURNED:
                seen = entry.state is AlarmState.ACKNOWLEDGED
                return AlarmState.NORMAL if seen else AlarmState.RETURNED_UNACKNOWLEDGED
            case other:
                return _AFTER[other]

    def _remember(self, entry: _Entry, event: AlarmTransition, state: AlarmState) -> None:
        entry.state, entry.last = state, event
        match event.transition:
            case Transition.RAISED:
                entry.present, entry.raised = True, event.time
                entry.inhibited_by = entry.inhibited_why = ""
            case Transition.RETURNED:
                entry.present = False
            case _:
                entry.inhibited_by, entry.inhibited_why = event.by, event.why
        entry.until = event.until if state in _TIMED else None

    # -- transitions -----------------------------------------------------------------------------

    def _move(self, key: Key, entry: _Entry, given: Input, move: _Move) -> list[AlarmTransition]:
        found = step(entry.state, given)
        moved = []
        for transition in found.transitions:
            event = self._event(key, entry, transition, move)
            state = self._state_after(entry, event)
            self._remember(entry, event, state)
            moved.append(event)
        return moved

    def _event(
        self, key: Key, entry: _Entry, transition: Transition, move: _Move,
    ) -> AlarmTransition:
        condition, last = CATALOGUE[key[0]], entry.last
        if transition is Transition.RAISED:
            return self._raised(key, last, move)
        live = last if entry.state is not AlarmState.NORMAL else None
        since = live.since if live is not None else move.time
        return AlarmTransition(
            time=move.time, site=self._site, condition=key[0], asset=key[1],
            transition=transition, priority=condition.priority, signal=condition.signal,
            since=since, values=dict(live.values) if live is not None else {},
            id=live.id if live is not None else self._occurrence(key, last, move.time),
            text=self._text(key, transition, move, since),
            by=move.by, why=move.why, until=move.until,
        )

    def _raised(self, key: Key, last: AlarmTransition | None, move: _Move) -> AlarmTransition:
        condition = CATALOGUE[key[0]]
        evaluation = move.evaluation or self._evaluation_of(*key)
        since = evaluation.since if evaluation is not None else None
        return AlarmTransition(
            time=move.time, site=self._site, condition=key[0], asset=key[1],
            transition=Transition.RAISED, priority=condition.priority, signal=condition.signal,
            since=since if since is not None else move.time,
            text=evaluation.text if evaluation is not None and evaluation.text
            else self._text(key, Transition.RAISED, move, move.time),
            id=self._occurrence(key, last, move.time),
            values=dict(evaluation.values) if evaluation is not None else {},
        )

    def _text(self, key: Key, transition: Transition, move: _Move, since: int) -> str:
        what = f"{CATALOGUE[key[0]].title}: {self._names.get(key[1], key[1])}."
        said = {
            Transition.RETURNED: "Back to normal", Transition.ACKNOWLEDGED: "Acknowledged",
            Transition.SHELVED: "Shelved", Transition.UNSHELVED: "No longer shelved",
            Transition.SUPPRESSED: "Suppressed by design",
            Transition.UNSUPPRESSED: "No longer suppressed",
            Transition.OUT_OF_SERVICE: "Taken out of service",
            Transition.IN_SERVICE: "Back in service", Transition.RAISED: "Raised",
        }[transition]
        if transition is Transition.RETURNED:
            said += f" after {duration_text(move.time - since)}"
        by = f" by {move.by}" if move.by else ""
        why = f": {move.why}" if move.why else ""
        return f"{what} {said}{by}{why}."

    @staticmethod
    def _occurrence(key: Key, last: AlarmTransition | None, time: int) -> str:
        seconds = time // 1000
        name = f"{key[0]}.{key[1]}.{seconds}"
        # A second occurrence within the second (or after a clock was set back onto it).
        while last is not None and last.id == name:
            seconds += 1
            name = f"{key[0]}.{key[1]}.{seconds}"
        return name
