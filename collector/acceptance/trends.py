"""The raw trend of each point that a step was judged by: for the record and for the board."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Protocol

from collector.acceptance.finding import Finding
from collector.acceptance.steps import Step
from collector.domain.plant import Plant
from collector.domain.readings import Quantity, Reading, point_kind, split_point
from collector.plots import Curve, Level, Plot, axis_of

__all__ = ["plots_of"]

_MARGIN = 0.05
"""Share of a step's time that is shown before and after it."""
_MOST = 1500
"""Points of one curve; of more, each n-th is drawn."""


class Readings(Protocol):
    """What the trend is read from."""

    def readings(
        self, points: Sequence[str] | None, start: int | None, end: int | None,
    ) -> Iterable[Reading]:
        """Return readings from ``start`` to ``end`` (ms, excluded) in time order."""


def plots_of(
    step: Step, finding: Finding, plant: Plant, history: Readings,
) -> Iterator[Plot]:
    """Yield the raw trend of each point the step was judged by."""
    if finding.window is None or finding.window[0] >= finding.window[1]:
        return
    start, end = finding.window
    around = max(round((end - start) * _MARGIN), 30_000)
    for point in step.points:
        thing, name = split_point(point)
        owner = plant.thing(thing)
        quantity = point_kind(owner.kind, name) if owner is not None else None
        curve = _curve(list(history.readings([point], start - around, end + around + 1)))
        if quantity is None or not any(v is not None for _, v in curve):
            continue
        yield Plot(
            title=f"{point}, as it was read", start=start - around, end=end + around,
            zone=plant.site.timezone, axis=axis_of(quantity, plant.site.units),
            series=(Curve(label=quantity.label, points=curve),), height=150,
            levels=tuple(_levels(step, quantity)), key=f"{step.id}-{point}".replace(".", "-"))


def _curve(readings: Sequence[Reading]) -> list[tuple[int, float | None]]:
    every = max(1, -(-len(readings) // _MOST))
    # A reading that was not had opens a gap, and is never thinned away.
    return [(r.time, r.usable) for n, r in enumerate(readings)
            if n % every == 0 or r.usable is None]


def _levels(step: Step, quantity: Quantity) -> Iterator[Level]:
    names = {"psi": (("from", "from"), ("to", "to"), ("psi", "set")), "%": (("percent", "limit"),)}
    for key, label in names.get(quantity.unit, ()):
        value = step.limits.get(key)
        if value is not None and step.kind.value.partition("-")[0] != "return":
            yield Level(value=value, label=label)
