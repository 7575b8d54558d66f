"""Plots of the raw readings of a step, for the record and for the board."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Protocol

from collector.acceptance.step_evaluation import StepEvaluation
from collector.acceptance.step_readings import Number
from collector.acceptance.steps import Step
from collector.domain.plant import Plant
from collector.domain.readings import MODES, Quantity, point_kind, split_point
from collector.plots import Bar, BarKind, Bars, Curve, Level, Plot, axis_of

__all__ = ["plots_of"]

_MARGIN = 0.05
"""Share of a step's time that is shown before and after it."""
_MOST = 1500
"""Points of one curve; of more, each n-th is drawn."""


class Readings(Protocol):
    """The source of the readings."""

    def numbers(self, point: str, start: int, end: int) -> Sequence[Number]:
        """Return times and values from ``start`` to ``end`` (ms, excluded) in time order."""


def plots_of(
    step: Step, evaluation: StepEvaluation, plant: Plant, history: Readings,
) -> Iterator[Plot | Bars]:
    """Yield the raw trend of each number of a step, and strips of its contacts."""
    if evaluation.window is None or evaluation.window[0] >= evaluation.window[1]:
        return
    start, end = evaluation.window
    around = max(round((end - start) * _MARGIN), 30_000)
    strips: list[tuple[str, Sequence[Bar]]] = []
    for point in step.points:
        thing, name = split_point(point)
        owner = plant.thing(thing)
        quantity = point_kind(owner.kind, name) if owner is not None else None
        rows = history.numbers(point, start - around, end + around + 1)
        if quantity is None or not any(value is not None for _, value in rows):
            continue
        if quantity.is_contact or quantity.unit == "mode":
            strips.append((point, _bars(rows, quantity)))
            continue
        yield Plot(
            title=f"{point}, as it was read", start=start - around, end=end + around,
            zone=plant.site.timezone, axis=axis_of(quantity, plant.site.units),
            series=(Curve(label=quantity.label, points=_curve(rows)),), height=150,
            levels=tuple(_levels(step, quantity)), key=f"{step.id}-{point}".replace(".", "-"))
    if strips:
        yield Bars(title="Contacts and mode, as they were read", start=start - around,
                   end=end + around, zone=plant.site.timezone, rows=strips,
                   key=f"{step.id}-strips".replace(".", "-"))


def _bars(numbers: Sequence[Number], quantity: Quantity) -> list[Bar]:
    """Return the stretches in which a contact read closed, or a mode read the same."""
    found: list[Bar] = []
    since: tuple[int, float] | None = None
    # A mode carries its word, which wants a light bar.
    kind = BarKind.MUTED if quantity.unit == "mode" else BarKind.RUN
    for time, value in (*numbers, (numbers[-1][0], None)):
        if since is not None and value != since[1]:
            found.append(Bar(start=since[0], end=time, word=_word(since[1], quantity),
                             kind=kind))
            since = None
        if value is not None and since is None and (value > 0.5 or quantity.unit == "mode"):
            since = (time, value)
    return found


def _word(value: float, quantity: Quantity) -> str:
    if quantity.unit == "mode" and value in range(len(MODES)):
        return MODES[int(value)]
    return ""


def _curve(numbers: Sequence[Number]) -> list[Number]:
    every = max(1, -(-len(numbers) // _MOST))
    # A reading that was not had opens a gap, and is never thinned away.
    return [number for n, number in enumerate(numbers) if n % every == 0 or number[1] is None]


def _levels(step: Step, quantity: Quantity) -> Iterator[Level]:
    names = {"psi": (("from", "from"), ("to", "to"), ("psi", "set")), "%": (("percent", "limit"),)}
    for key, label in names.get(quantity.unit, ()):
        value = step.limits.get(key)
        if value is not None and step.kind.value.partition("-")[0] != "return":
            yield Level(value=value, label=label)
