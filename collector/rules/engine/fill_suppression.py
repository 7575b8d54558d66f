"""Suppression of alarms during a declared fill, when long runs of the compressor are normal.

A declaration is an event of the journal. It ends at its own time, or earlier by an operator.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from collector.clock import format_instant, parse_instant
from collector.domain.actions import ActionKind, DeclaredFill, OperatorAction
from collector.domain.conditions import CATALOGUE
from collector.domain.conditions.schema import DECLARED_FILL
from collector.domain.errors import ActionRefused
from collector.domain.events import SystemEvent
from collector.domain.units import HOUR
from collector.rules.base import Rule
from collector.rules.engine.inhibition import fill_bears_on
from collector.rules.inputs import Inputs
from collector.rules.wording import Words

_DECLARED, _ENDED = "fill-declared", "fill-ended"

_LONGEST = 24 * HOUR
"""ms; a fill must not suppress alarms for days. A longer one is declared again."""


_HELD = {c.id: cause.after for c in CATALOGUE.values() for cause in c.explained_by
         if cause.by == DECLARED_FILL and cause.inhibits}
"""Conditions that a fill inhibits, and how long (ms) after it."""
_SUSPENDED = {"vent-stuck-open", "vent-stuck-closed", "purge-blocked"}
"""Conditions whose rules suspend themselves while a fill is declared."""
_LONGER = {c.id for c in CATALOGUE.values()
           if any(s.name == "fill_limit" for s in c.settings or ())}
"""Conditions whose rules go by their ``fill_limit`` while a fill is declared."""


class DeclaredFills:
    """The declared fills of one site. ``Inputs.fills`` holds their ends for the rules."""

    def __init__(self, inputs: Inputs, words: Words) -> None:
        self._inputs, self._words = inputs, words
        self._site = inputs.plant.site.id
        self._facts: list[SystemEvent] = []
        self._declared_by: dict[str, dict[str, Any]] = {}

    def __repr__(self) -> str:
        return f"DeclaredFills({self._inputs.fills})"

    def request(self, action: OperatorAction) -> SystemEvent:
        """Return the event that an action requests; :meth:`apply` carries it out.

        Raises ``ActionRefused`` for what cannot be filled, without a reason, without an end or
        with one too far off, and when there is no fill to end. Nothing has changed then.
        """
        plant, asset = self._inputs.plant, action.alarm
        if asset not in plant.generators and asset not in plant.risers:
            raise ActionRefused(f"no generator or riser to fill: {asset}")
        if action.kind is ActionKind.END_FILL:
            if asset not in self._inputs.fills:
                raise ActionRefused(f"no fill of {asset} is declared")
            return self._ended(asset, action.time, by=action.by, why=action.why)
        if not action.why.strip():
            raise ActionRefused("to declare a fill needs a reason")
        if action.until is None:
            raise ActionRefused("to declare a fill needs a time when it ends")
        if action.until <= action.time:
            raise ActionRefused("the end given is already past")
        if action.until - action.time > _LONGEST:
            raise ActionRefused("a fill is declared for 24 h at most; declare it again then")
        return self._declared(asset, action, action.until)

    def _declared(self, asset: str, action: OperatorAction, until: int) -> SystemEvent:
        text = (f"A fill of {self._words.name(asset)} was declared by {action.by} until "
                f"{self._words.instant(until)}: {action.why.strip().rstrip('.')}. Filling is an "
                "impairment: follow the impairment procedure.")
        return SystemEvent(
            time=action.time, site=self._site, fact=_DECLARED, asset=asset, text=text,
            values={"until": format_instant(until), "by": action.by, "why": action.why},
        )

    def _ended(self, asset: str, at: int, *, by: str = "", why: str = "") -> SystemEvent:
        who = f" by {by}" if by else " by itself: its time is up"
        more = f": {why.strip().rstrip('.')}" if why.strip() else ""
        return SystemEvent(
            time=at, site=self._site, fact=_ENDED, asset=asset,
            text=f"The declared fill of {self._words.name(asset)} ended{who}{more}.",
            values={"by": by, "why": why},
        )

    def apply(self, fact: SystemEvent) -> bool:
        """Carry out an event; return whether it concerns fills."""
        if fact.fact == _DECLARED:
            self._inputs.fills[fact.asset] = parse_instant(str(fact.values["until"]))
            self._declared_by[fact.asset] = {
                "since_at": fact.time, "by": str(fact.values["by"]), "why": str(fact.values["why"]),
            }
        elif fact.fact == _ENDED:
            self._declared_by.pop(fact.asset, None)
            if self._inputs.fills.pop(fact.asset, None) is not None:
                self._inputs.filled[fact.asset] = fact.time
        else:
            return False
        return True

    def next_end(self) -> int | None:
        """Return when the next fill ends by itself, ms."""
        return min(self._inputs.fills.values(), default=None)

    def end_due(self, now: int) -> bool:
        """End the fills whose time is up; return whether there were any."""
        over = [asset for asset, until in self._inputs.fills.items() if until <= now]
        for asset in over:
            fact = self._ended(asset, now)
            self.apply(fact)
            self._facts.append(fact)
        return bool(over)

    def drain(self) -> list[SystemEvent]:
        """Return the events recorded since the last call."""
        facts, self._facts = self._facts, []
        return facts

    def active(self, rules: Iterable[Rule]) -> list[DeclaredFill]:
        """Return each declared fill, the earliest end first, with the conditions it affects."""
        fills = sorted(self._inputs.fills.items(), key=lambda item: (item[1], item[0]))
        known = list(rules)
        return [self._shown(asset, until, known) for asset, until in fills]

    def _shown(self, asset: str, until: int, rules: Iterable[Rule]) -> DeclaredFill:
        by = self._declared_by.get(asset, {})
        affected = {r.condition for r in rules
                    if fill_bears_on(self._inputs.plant, asset, r.asset)}
        return DeclaredFill(
            asset=asset, until=until, since=by.get("since_at"), by=by.get("by", ""),
            why=by.get("why", ""), held=tuple(sorted(affected & (_HELD.keys() | _SUSPENDED))),
            afterwards=tuple(sorted(c for c in affected if _HELD.get(c))),
            longer=tuple(sorted(affected & _LONGER)),
        )

    def dump(self) -> dict[str, Any]:
        """Return the declarations as JSON-able data; their ends are in ``Inputs.fills``."""
        return {asset: dict(by) for asset, by in self._declared_by.items()}

    def load(self, state: Mapping[str, Any]) -> None:
        self._declared_by = {asset: dict(by) for asset, by in state.items()}
