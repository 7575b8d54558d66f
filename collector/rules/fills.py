"""Fills that people declare: until when the compressor may rightly run on and on.

A declaration is a fact of the journal. It ends by itself, or by a person's word before that.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from collector.clock import format_instant, parse_instant
from collector.domain.actions import Action, Deed
from collector.domain.errors import ActionRefused
from collector.domain.events import FactNoted
from collector.domain.fills import DeclaredFill
from collector.rules.inputs import Inputs
from collector.rules.wording import Words

__all__ = ["DECLARED", "ENDED", "LONGEST", "Fills"]

DECLARED, ENDED = "fill-declared", "fill-ended"

LONGEST = 24 * 3_600_000
"""ms; what a fill keeps quiet must not be quiet for days. A longer one is declared again."""


class Fills:
    """The declared fills of one site; the shared view of the inputs holds them for the rules."""

    def __init__(self, inputs: Inputs, words: Words) -> None:
        self._inputs, self._words = inputs, words
        self._site = inputs.plant.site.id
        self._facts: list[FactNoted] = []
        self._told: dict[str, dict[str, Any]] = {}

    def __repr__(self) -> str:
        return f"Fills({self._inputs.fills})"

    def asked(self, action: Action) -> FactNoted:
        """Return the fact that an action asks for; :meth:`take` carries it out.

        Raises ``ActionRefused`` for what cannot be filled, without a reason, without an end or
        with one too far off, and when there is no fill to end. Nothing has changed then.
        """
        plant, asset = self._inputs.plant, action.alarm
        if asset not in plant.generators and asset not in plant.risers:
            raise ActionRefused(f"no generator or riser to fill: {asset}")
        if action.deed is Deed.END_FILL:
            if asset not in self._inputs.fills:
                raise ActionRefused(f"no fill of {asset} is declared")
            return self._ended(asset, action.time, by=action.by, why=action.why)
        if not action.why.strip():
            raise ActionRefused("to declare a fill needs a reason")
        if action.until is None:
            raise ActionRefused("to declare a fill needs a time when it ends")
        if action.until <= action.time:
            raise ActionRefused("the end given is already past")
        if action.until - action.time > LONGEST:
            raise ActionRefused("a fill is declared for 24 h at most; declare it again then")
        return self._declared(asset, action, action.until)

    def _declared(self, asset: str, action: Action, until: int) -> FactNoted:
        text = (f"A fill of {self._words.name(asset)} was declared by {action.by} until "
                f"{self._words.instant(until)}: {action.why.strip().rstrip('.')}. Filling is an "
                "impairment: follow the impairment procedure.")
        return FactNoted(
            time=action.time, site=self._site, fact=DECLARED, asset=asset, text=text,
            values={"until": format_instant(until), "by": action.by, "why": action.why},
        )

    def _ended(self, asset: str, at: int, *, by: str = "", why: str = "") -> FactNoted:
        who = f" by {by}" if by else " by itself: its time is up"
        more = f": {why.strip().rstrip('.')}" if why.strip() else ""
        return FactNoted(
            time=at, site=self._site, fact=ENDED, asset=asset,
            text=f"The declared fill of {self._words.name(asset)} ended{who}{more}.",
            values={"by": by, "why": why},
        )

    def take(self, fact: FactNoted) -> bool:
        """Carry out a fact; return whether it was one about fills."""
        if fact.fact == DECLARED:
            self._inputs.fills[fact.asset] = parse_instant(str(fact.values["until"]))
            self._told[fact.asset] = {
                "since_at": fact.time, "by": str(fact.values["by"]), "why": str(fact.values["why"]),
            }
        elif fact.fact == ENDED:
            self._told.pop(fact.asset, None)
            if self._inputs.fills.pop(fact.asset, None) is not None:
                self._inputs.filled[fact.asset] = fact.time
        else:
            return False
        return True

    def next_end(self) -> int | None:
        """Return when the next fill ends by itself, ms."""
        return min(self._inputs.fills.values(), default=None)

    def tick(self, now: int) -> bool:
        """End what was declared until now; return whether anything ended."""
        over = [asset for asset, until in self._inputs.fills.items() if until <= now]
        for asset in over:
            fact = self._ended(asset, now)
            self.take(fact)
            self._facts.append(fact)
        return bool(over)

    def drain(self) -> list[FactNoted]:
        """Return the facts noted since the last call."""
        facts, self._facts = self._facts, []
        return facts

    def standing(self) -> list[DeclaredFill]:
        """Return each declared fill, the one that ends first before the others."""
        fills = sorted(self._inputs.fills.items(), key=lambda item: (item[1], item[0]))
        return [self._shown(asset, until) for asset, until in fills]

    def _shown(self, asset: str, until: int) -> DeclaredFill:
        told = self._told.get(asset, {})
        return DeclaredFill(
            asset=asset, until=until, since=told.get("since_at"), by=told.get("by", ""),
            why=told.get("why", ""),
        )

    def dump(self) -> dict[str, Any]:
        """Return who declared what, as JSON-able data; until when is with the inputs."""
        return {asset: dict(told) for asset, told in self._told.items()}

    def load(self, state: Mapping[str, Any]) -> None:
        """Take over a dumped state."""
        self._told = {asset: dict(told) for asset, told in state.items()}
