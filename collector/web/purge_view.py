"""A purge: what was measured, what volume and flow predict, and when it should be done. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from collector.domain.plant import Plant, Vent
from collector.domain.readings import QUANTITIES
from collector.domain.trends import TrendStep
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.gas import amount
from collector.physics.purge import sweep_oxygen, sweep_time_constant
from collector.plots import Band, Curve, Plot, axis_of
from collector.web.trend_view import DRAWN, Occurred, limits_of, marks

__all__ = ["Expected", "expected_curve", "predicted_tau", "purge_plot"]

_PSI = 6894.757293168  # Pa
_PIPE = 288.15  # K, as the rules take it
_POINTS = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """The fall that a well-mixed pipe would show. ``tau`` (ms) is its time constant."""

    start: int
    oxygen: float
    feed: float
    tau: float
    points: tuple[tuple[int, float], ...]


def predicted_tau(plant: Plant, vent: Vent) -> float | None:
    """Return the time constant (ms) from volume, pressure and the flow of all the riser's vents.

    ``None`` where the site file lacks one of them.
    """
    riser = plant.risers.get(vent.riser)
    if riser is None or riser.volume is None or riser.supervisory_pressure is None:
        return None
    flows = [v.flow for v in plant.vents.values() if v.riser == riser.id]
    if any(not flow for flow in flows):
        return None
    absolute = riser.supervisory_pressure * _PSI + pressure_at_altitude(plant.site.altitude)
    held = amount(absolute, riser.volume, _PIPE)
    return 1000 * sweep_time_constant(held, math.fsum(flow for flow in flows if flow))


def expected_curve(
    plant: Plant, vent: Vent, steps: Sequence[TrendStep], feed: float, end: int,
) -> Expected | None:
    """Return the fall expected from the last time the oxygen was highest; ``feed`` in %.

    ``None`` without a reading, a time constant, or anything left to purge.
    """
    tau = predicted_tau(plant, vent)
    good = [s for s in steps if s.count and s.mean is not None]
    if tau is None or not good:
        return None
    top = max(s.mean or 0.0 for s in good)
    # Sensors step by 0.1 %: what lies that close to the top is still the top.
    first = next(s for s in reversed(good) if (s.mean or 0.0) >= top - 0.2)
    oxygen = first.mean or 0.0
    if oxygen <= feed or first.start >= end:
        return None
    width = (end - first.start) / _POINTS
    points = tuple(
        (first.start + round(n * width),
         100 * sweep_oxygen(oxygen / 100, n * width, tau, feed=feed / 100))
        for n in range(_POINTS + 1)
    )
    return Expected(start=first.start, oxygen=oxygen, feed=feed, tau=tau, points=points)


def purge_plot(
    plant: Plant, vent: Vent, steps: Sequence[TrendStep], expected: Expected | None,
    happened: Sequence[Occurred], *, start: int, end: int, now: int,
) -> Plot:
    """Return the figure: measured as a band, expected dashed, the target, the alarms."""
    curve = () if expected is None else (
        Curve(label="expected", points=expected.points, expected=True),)
    kind = QUANTITIES["vent"]["oxygen"]
    return Plot(
        title=f"Oxygen at {vent.name}, measured and expected", start=start, end=end,
        known=min(now, end), zone=plant.site.timezone, axis=axis_of(kind, plant.site.units),
        series=(Band(label="measured", steps=steps), *curve), floor=0.0,
        levels=limits_of(vent, "oxygen"), spans=marks("oxygen", happened, start, end),
        height=300, width=DRAWN, key=f"{vent.id}-purge",
    )
