"""Errors of sensors: calibration, noise, drift, stiction, resolution."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from simulators.family.chance import Chance
from simulators.family.specs import Gauge
from simulators.family.stepping import Floats, compiled

__all__ = ["draw_gauges", "read", "switched"]


def draw_gauges(structure: Mapping[str, str], points: Sequence[str],
                dice: Chance) -> dict[str, Gauge]:
    """Return a gauge for every point that has a number of its own."""
    step = float(structure["gauge"])
    noise = dice.scale(0.01, 0.25)
    sticks = dice.chance(0.25)
    warm = (0.1, 0.5, 1.0)[dice.whole(0, 2)]
    counted = (0.01, 0.1, 1.0)[dice.whole(0, 2)]
    out = {}
    for point in points:
        thing, quantity = point.split(".")
        if quantity in ("pressure", "tank_pressure"):
            out[point] = Gauge(step=step, noise=min(noise * dice.even(0.7, 1.4), 0.25),
                               drift=dice.normal(0.3 / 365), offset=dice.normal(0.2),
                               stick=dice.even(0.3, 0.5) if sticks and dice.chance(0.6) else 0.0)
        elif quantity == "product_oxygen":
            out[point] = Gauge(step=0.1 if dice.chance(0.7) else 0.01, noise=dice.scale(0.01, 0.08),
                               drift=dice.normal(0.3 / 365), offset=dice.normal(0.05))
        elif quantity == "oxygen" and thing.endswith("-vent"):
            # Its calibration is in the vent's own number: the controller acts on the same sensor.
            out[point] = Gauge(step=0.1, noise=dice.scale(0.02, 0.1), drift=dice.normal(0.2 / 365))
        elif quantity == "oxygen":
            out[point] = Gauge(step=0.1, noise=dice.scale(0.02, 0.08), offset=dice.normal(0.05))
        elif quantity == "dew_point":
            out[point] = Gauge(step=1.0, noise=0.4, offset=dice.even(-55, -35))
        elif quantity.endswith("temperature"):
            out[point] = Gauge(step=warm, noise=dice.scale(0.03, 0.2), offset=dice.normal(0.3))
        elif quantity == "running_hours":
            out[point] = Gauge(step=counted)
        elif quantity in ("low_air", "high_air"):
            out[point] = Gauge(step=1.0, offset=dice.normal(0.15), stick=dice.even(0.5, 1.5))
    return out


@compiled
def _stuck(values: Floats, width: float) -> Floats:
    """Return the readings of a needle that moves only when it is off by ``width``."""
    out = np.empty_like(values)
    shown = values[0]
    for k in range(values.size):
        if abs(values[k] - shown) > width:
            shown = values[k]
        out[k] = shown
    return out


@compiled
def switched(values: Floats, on: float, off: float) -> Floats:
    """Return 0 or 1 of a switch that closes beyond ``on`` and opens beyond ``off``."""
    out = np.zeros_like(values)
    state = 0.0
    low = on < off
    for k in range(values.size):
        x = values[k]
        if (low and x < on) or (not low and x > on):
            state = 1.0
        elif (low and x > off) or (not low and x < off):
            state = 0.0
        out[k] = state
    return out


def read(gauge: Gauge, true: Floats, days: Floats, rng: np.random.Generator) -> Floats:
    """Return the readings of a gauge at the ``true`` values; ``days`` is each value's age."""
    value = true + gauge.offset + gauge.drift * days
    if gauge.stick > 0.0 and value.size:
        value = _stuck(value, gauge.stick)
    if gauge.noise > 0.0:
        value = value + rng.normal(0.0, gauge.noise, value.size)
    return np.asarray(np.round(value / gauge.step) * gauge.step)
