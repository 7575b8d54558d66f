"""Plants drawn from a seed: structure, sizes, a year's disturbances, a fault.

It imports neither the physics nor the rules under test. :func:`draw` draws a plant,
:func:`simulate` records it; tests compare the collector's events with the recording's truth.

What is drawn and how it flows:

- :mod:`drawing` draws structure, :mod:`equipment` sizes, :mod:`gauging` sensors, :mod:`site` writes
the site file a technician would have written;

- :mod:`disturbances` and :mod:`faults` (:mod:`faults_gas`, :mod:`faults_oxygen`) decide what
happens;

- :mod:`running` sets up and :mod:`stepping` moves the gas, second by second;

- :mod:`sensing` makes rows of it, :mod:`truth` records what really happened.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulators.family.drawing import STRUCTURE, draw
from simulators.family.faults import FAULTS
from simulators.family.running import run
from simulators.family.sensing import sense
from simulators.family.specs import Allowed, DrawnPlant, Fault
from simulators.family.truth import Truth, truth_of

__all__ = ["FAULTS", "STRUCTURE", "Allowed", "DrawnPlant", "Fault", "Recording", "Truth", "draw",
           "simulate"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """The recorded readings of a plant, and the truth about it."""

    start: int
    """ms since 1970 UTC."""
    points: Mapping[str, tuple[NDArray[np.int64], NDArray[np.float64]]]
    """Times (ms) and values, in the order the rows were received; NaN: asked for and not had."""
    received: Mapping[str, NDArray[np.float64]]
    """When each row was received, s from the start: the order among points."""
    actions: list[dict[str, Any]]
    """What people declared: ``time`` and ``until`` (ms), ``kind``, ``asset``, ``by``, ``why``."""
    truth: Truth


def simulate(plant: DrawnPlant) -> Recording:
    """Run a drawn plant and record it. The same plant gives the same bytes."""
    history = run(plant)
    rows = sense(plant, history)
    actions = [{**action, "time": plant.start + round(1000 * action["time"]),
                "until": plant.start + round(1000 * action["until"])}
               for action in plant.happenings.actions]
    return Recording(
        start=plant.start, points={p: (t, v) for p, (t, v, _) in rows.items()},
        received={p: r for p, (_, _, r) in rows.items()}, actions=actions,
        truth=truth_of(plant, history))
