"""What an impairment explains, and therefore keeps quiet; and how long systems have been impaired.

A closed, drained or refilled system has no pressure, leaks, breathes air, and makes its compressor
run. That and nothing else is suppressed: cold, water, power, wiring, silent devices and the oxygen
of the room are raised as ever.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from collector.domain.conditions import CATALOGUE
from collector.domain.plant import Plant

__all__ = ["DAY", "MANY_HOURS", "OF_GENERATOR", "OF_RISER", "explains", "most_in_a_day", "systems"]

_IMPAIRED = [c for c in CATALOGUE.values() if c.impairment]
OF_RISER = frozenset(c.id for c in _IMPAIRED if c.applies_to in ("riser", "vent"))
"""Of the system itself and its vents."""

OF_GENERATOR = frozenset(c.id for c in _IMPAIRED if "generator" in (c.applies_to, *c.also))
"""Of the generator that feeds it: it loses its gas into the work, and fills the system after it."""

DAY, MANY_HOURS = 86_400_000, 36_000_000
"""ms. More than 10 h out of service within 24 h: NFPA 1 13.1.9 (as quoted on a municipal form) lets
the authority having jurisdiction require evacuation or a fire watch."""


def systems(plant: Plant, asset: str) -> tuple[str, ...]:
    """Return the risers that an impairment of ``asset`` (riser, generator or site) takes down."""
    if asset == plant.site.id:
        return tuple(plant.risers)
    if asset in plant.generators:
        return tuple(r.id for r in plant.risers.values() if r.fed_by == asset)
    return (asset,) if asset in plant.risers else ()


def explains(plant: Plant, asset: str, condition: str, of: str) -> bool:
    """Whether an impairment of ``asset`` explains ``condition`` of the asset ``of``."""
    down = systems(plant, asset)
    thing = of if plant.thing(of) is not None else of.rpartition(".")[0]
    riser = plant.vents[thing].riser if thing in plant.vents else thing
    if riser in down:
        return condition in OF_RISER
    feeding = {plant.risers[r].fed_by for r in down}
    return thing in feeding and condition in OF_GENERATOR


def most_in_a_day(spans: Iterable[tuple[int, int]]) -> int:
    """Return the most ms that lie within ``spans`` (start, end) in any 24 h."""
    merged: list[tuple[int, int]] = []
    for start, end in sorted(spans):
        if merged and start <= merged[-1][1]:
            merged[-1] = merged[-1][0], max(merged[-1][1], end)
        else:
            merged.append((start, end))
    # The fullest 24 h begin where a span begins, or end where one ends.
    windows = [(s, s + DAY) for s, _ in merged] + [(e - DAY, e) for _, e in merged]
    return max((_within(merged, first, last) for first, last in windows), default=0)


def _within(spans: Sequence[tuple[int, int]], first: int, last: int) -> int:
    return sum(max(0, min(end, last) - max(start, first)) for start, end in spans)
