"""Alarm transitions read as stretches of time: how long each stood, and how long it was held quiet.

Pure over what the journal keeps; the events must be in order and begin where the alarms began (the
journal keeps alarm events for good).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from collector.domain.events import AlarmMoved, Priority, Signal, Transition

__all__ = ["Occurrence", "Quiet", "occurrences", "quiet_stretches"]

_QUIETING = {
    Transition.SHELVED: Transition.UNSHELVED,
    Transition.SUPPRESSED: Transition.UNSUPPRESSED,
    Transition.OUT_OF_SERVICE: Transition.IN_SERVICE,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurrence:
    """One alarm from its raising on (ms). ``ended`` is ``None`` while it stands.

    It ends by returning to normal, or when it is held quiet: nobody is called by it then.
    """

    condition: str
    asset: str
    priority: Priority
    signal: Signal
    raised: int
    text: str
    id: str
    acknowledged: int | None = None
    acknowledged_by: str = ""
    ended: int | None = None
    returned: bool = False

    def standing(self, end: int) -> int:
        """Return how long it has stood by ``end``, ms."""
        return (end if self.ended is None else min(self.ended, end)) - self.raised


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """A stretch in which an alarm was shelved, suppressed by design or out of service."""

    condition: str
    asset: str
    kind: Transition
    """How it began."""
    start: int
    end: int | None
    by: str
    why: str


def occurrences(events: Iterable[AlarmMoved]) -> list[Occurrence]:
    """Return every raising with what became of it, in the order of raising."""
    found: list[Occurrence] = []
    latest: dict[tuple[str, str], int] = {}
    for event in events:
        key = event.condition, event.asset
        if event.transition is Transition.RAISED:
            latest[key] = len(found)
            found.append(Occurrence(
                condition=event.condition, asset=event.asset, priority=event.priority,
                signal=event.signal, raised=event.time, text=event.text, id=event.id))
        elif key in latest:
            found[latest[key]] = _moved(found[latest[key]], event)
    return found


def _moved(one: Occurrence, event: AlarmMoved) -> Occurrence:
    if event.transition is Transition.ACKNOWLEDGED and one.acknowledged is None:
        return replace(one, acknowledged=event.time, acknowledged_by=event.by)
    if one.ended is None and (
        event.transition is Transition.RETURNED or event.transition in _QUIETING
    ):
        return replace(one, ended=event.time, returned=event.transition is Transition.RETURNED)
    return one


def quiet_stretches(events: Iterable[AlarmMoved]) -> list[Quiet]:
    """Return every stretch in which an alarm was held quiet, in the order they began."""
    found: list[Quiet] = []
    latest: dict[tuple[str, str], int] = {}
    for event in events:
        key = event.condition, event.asset
        at = latest.get(key)
        opens = event.transition in _QUIETING
        if at is not None and (opens or event.transition is _QUIETING[found[at].kind]):
            found[at] = replace(found[at], end=event.time)
            del latest[key]
        if opens:
            latest[key] = len(found)
            found.append(Quiet(condition=event.condition, asset=event.asset,
                               kind=event.transition, start=event.time, end=None, by=event.by,
                               why=event.why))
    return found
