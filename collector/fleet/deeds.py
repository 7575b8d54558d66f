"""What people did at a site, as its journal tells it, done again where it stands in time.

A declared fill, an impairment, a visit, a reset or an accepted baseline are inputs that no reading
holds: without them the rules could not say what they said. What the daemon noted and a rule hears
(the clock was set, nothing gets through) is noted again too. What the rules themselves make is
left to them, and so is what was done to single alarms: another course may not have them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator

from collector.app.monitor import Watch
from collector.clock import parse_instant
from collector.domain.actions import Action, Deed
from collector.domain.columns import Columns
from collector.domain.errors import ActionRefused
from collector.domain.events import Event, FactNoted

__all__ = ["Course"]

_DECLARED = {
    "fill-declared": Deed.DECLARE_FILL, "impairment-declared": Deed.DECLARE_IMPAIRMENT,
    "visit-begun": Deed.BEGIN_VISIT,
}
_ENDED = {
    "fill-ended": Deed.END_FILL, "impairment-ended": Deed.END_IMPAIRMENT,
    "visit-ended": Deed.END_VISIT,
}
_BEGUN = {"impairment-ended": "impairment-declared", "visit-ended": "visit-begun"}
_OF_THE_RULES = frozenset({"impairment-ending", "visit-ending", "baseline-learned"})
_ACCEPTED = "baseline-accepted"


class Course:
    """Readings and facts of one site, given to its watch in the order of their time.

    ``facts`` are those that the archive holds, in that order. One falls before the readings of its
    own instant.
    """

    def __init__(self, watch: Watch, facts: Iterable[FactNoted]) -> None:
        self._watch = watch
        self._waiting = deque(facts)
        self._last: int | None = None
        self._reasons: dict[tuple[str, str], str] = {}
        self.refused: list[str] = []
        """What could not be done again, and why."""

    def __repr__(self) -> str:
        return f"Course({self._watch!r}, {len(self._waiting)} facts to come)"

    def events(self, batches: Iterable[Columns]) -> Iterator[Event]:
        """Yield what the rules say of it all; nothing that is due beyond the last reading."""
        for columns in batches:
            yield from self._batch(columns)
        if self._last is not None:
            while self._waiting and self._waiting[0].time <= self._last:
                yield from self._again(self._waiting.popleft())
            yield from self._watch.advance(self._last)

    def _batch(self, columns: Columns) -> Iterator[Event]:
        while len(columns):
            end = len(columns)
            if self._waiting:
                end = int(columns.times.searchsorted(self._waiting[0].time, side="left"))
            if end:
                part = columns.take(slice(0, end))
                yield from self._watch.feed_columns(part)
                self._last = int(part.times[-1])
                columns = columns.take(slice(end, None))
            else:
                yield from self._again(self._waiting.popleft())

    def _again(self, fact: FactNoted) -> Iterator[Event]:
        """Do again what a fact tells of, its due ticks before it."""
        if fact.fact in _OF_THE_RULES:
            return
        yield from self._watch.advance(fact.time)
        try:
            action = self._action_of(fact)
        except (KeyError, ValueError):
            self.refused.append(f"{fact.fact} {fact.asset}: it does not say enough")
            return
        if action is not None:
            try:
                yield from self._watch.act(action)
            except ActionRefused as refusal:
                self.refused.append(f"{fact.fact} {fact.asset}: {refusal}")
        elif fact.fact not in _ENDED:
            yield from self._watch.note(fact)
            if fact.fact == _ACCEPTED:
                yield fact


    def _action_of(self, fact: FactNoted) -> Action | None:
        """Return what a person did, where the fact is of that kind."""
        values = {name: "" if value is None else str(value) for name, value in fact.values.items()}
        by, why = values.get("by", ""), values.get("why", "")
        if fact.fact in _DECLARED:
            self._reasons[fact.fact, fact.asset] = why
            return Action(deed=_DECLARED[fact.fact], alarm=fact.asset, time=fact.time, by=by,
                          why=why, until=parse_instant(values["until"]))
        if fact.fact in _ENDED:
            if "until" in values:
                # One that ended without a word of its own carries the reason it began with.
                began = self._reasons.get((_BEGUN.get(fact.fact, ""), fact.asset))
                early, why = fact.time < parse_instant(values["until"]), "" if why == began else why
            else:
                early = bool(by)
            # What ended by itself does so again.
            return Action(deed=_ENDED[fact.fact], alarm=fact.asset, time=fact.time, by=by,
                          why=why) if early else None
        if fact.fact == "baseline-reset":
            return Action(deed=Deed.RESET_BASELINE, alarm=f"{values['quantity']}.{fact.asset}",
                          time=fact.time, by=by, why=why)
        return None
