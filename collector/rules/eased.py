"""What a declared fill does to the watch: what it holds back, what it gives a longer limit."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from collector.domain.conditions import CATALOGUE
from collector.domain.fills import DeclaredFill
from collector.domain.plant import Plant
from collector.rules.base import Rule
from collector.rules.explain import DECLARED_FILL, TABLE, fill_bears_on

__all__ = ["eased"]

_HELD = {c for row in TABLE if row.by == DECLARED_FILL and row.holds for c in row.of}
_AFTERWARDS = {c for row in TABLE if row.by == DECLARED_FILL and row.holds and row.after
               for c in row.of}
_STOOD_STILL = {"vent-stuck-open", "vent-stuck-closed", "purge-blocked"}
"""Conditions whose rules stand still by themselves while a fill is declared."""
_LONGER = {c.id for c in CATALOGUE.values()
           if any(s.name == "fill_limit" for s in c.settings or ())}
"""Conditions whose rules go by their ``fill_limit`` while a fill is declared."""


def eased(fill: DeclaredFill, plant: Plant, rules: Iterable[Rule]) -> DeclaredFill:
    """Return a declared fill with what it does to the conditions that are watched here."""
    bears = {r.condition for r in rules if fill_bears_on(plant, fill.asset, r.asset)}
    return replace(
        fill, held=tuple(sorted(bears & (_HELD | _STOOD_STILL))),
        afterwards=tuple(sorted(bears & _AFTERWARDS)), longer=tuple(sorted(bears & _LONGER)),
    )
