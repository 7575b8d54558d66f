"""Supervisory pressure and the cold that threatens the valve."""

from __future__ import annotations

from collector.domain.conditions.shape import Condition, Setting, delays
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

CONDITIONS = (
    Condition(
        id="pressure-low", title="Supervisory pressure low", applies_to="riser",
        signal=Signal.SUPERVISORY, priority=Priority.HIGH, cautions=("impairment",),
        causes=(
            "an open head, drain or test valve: look before you enter",
            "the supply to this riser closed, or its air maintenance device set too low",
            "the generator unable to keep up: look at its mode and tank",
            "a leak that has grown",
            "the pressure sensor or its line",
        ),
        settings=(
            Setting(name="limit", kind="pressure", default=None,
                    source="the riser's low_pressure in the site file", doc="lowest pressure"),
            Setting(name="deadband", kind="pressure", default="0.5 psi",
                    source="2 % of pressure, EEMUA 191 as quoted (check-values H)",
                    doc="how far above the limit it must rise to have returned"),
            *delays("15 s", "15 s", "ISA-18.2 for pressure, from memory"),
        ),
    ),
    Condition(id="pressure-high", title="Supervisory pressure high", applies_to="riser",
              signal=Signal.SUPERVISORY, priority=Priority.HIGH),
    Condition(id="pressure-falling-fast", title="Supervisory pressure falls fast",
              applies_to="riser", signal=Signal.SUPERVISORY, priority=Priority.HIGH,
              cautions=("impairment",)),
    Condition(id="low-temperature", title="Valve room too cold", applies_to="riser",
              signal=Signal.SUPERVISORY, priority=Priority.HIGH),
)
