"""The JSON answers about declared fills and baselines."""

from __future__ import annotations

from typing import Literal

from collector.clock import format_instant
from collector.domain.baselines import Baseline
from collector.domain.fills import DeclaredFill
from collector.domain.plant import Plant
from collector.web.answers import Answer
from collector.web.board_fills import baseline_id

__all__ = [
    "BaselineActAnswer", "BaselineAnswer", "BaselinesAnswer", "FillActAnswer", "FillAnswer",
    "FillsAnswer", "baseline_answer", "fill_answer",
]


class FillAnswer(Answer):
    """One declared fill; the lists hold conditions it bears on."""

    asset: str
    name: str
    since: str | None
    until: str
    by: str
    why: str
    held: list[str]
    """Not raised while it lasts."""
    afterwards: list[str]
    """Nor for a day after it."""
    longer: list[str]
    """Those with a longer limit of their own meanwhile."""


class FillsAnswer(Answer):
    """Every declared fill, the one that ends first before the others."""

    site: str
    time: str
    fills: list[FillAnswer]


class FillActAnswer(Answer):
    """What an action led to: the fill as it stands, or ``null`` when none is declared."""

    done: str
    by: str
    time: str
    fill: FillAnswer | None


class BaselineAnswer(Answer):
    """One baseline; ``value`` and ``deviation`` (standard) are ``null`` while it is learned."""

    id: str
    quantity: str
    asset: str
    name: str
    state: Literal["learning", "learned", "given"]
    value: float | None
    deviation: float | None
    unit: str
    days: int
    needed: int
    window: list[str] | None
    learned: str | None
    conditions: str


class BaselinesAnswer(Answer):
    """Every baseline, learned, being learned, or given by the site file."""

    site: str
    time: str
    baselines: list[BaselineAnswer]


class BaselineActAnswer(Answer):
    """What an action led to: the baseline as it stands."""

    done: str
    by: str
    time: str
    baseline: BaselineAnswer | None


def fill_answer(fill: DeclaredFill, plant: Plant) -> FillAnswer:
    """Write one declared fill."""
    return FillAnswer(
        asset=fill.asset, name=plant.name_of(fill.asset), until=format_instant(fill.until),
        since=None if fill.since is None else format_instant(fill.since), by=fill.by,
        why=fill.why, held=list(fill.held), afterwards=list(fill.afterwards),
        longer=list(fill.longer),
    )


def baseline_answer(one: Baseline, plant: Plant) -> BaselineAnswer:
    """Write one baseline."""
    learned = one.value is not None and not one.given
    window = None if one.window is None else [format_instant(t) for t in one.window]
    return BaselineAnswer(
        id=baseline_id(one), quantity=one.quantity, asset=one.asset,
        name=plant.name_of(one.asset), value=one.value, deviation=one.deviation, unit=one.unit,
        state="given" if one.given else "learned" if learned else "learning",
        days=one.days, needed=one.needed, conditions=one.conditions, window=window,
        learned=window[1] if learned and window is not None else None,
    )
