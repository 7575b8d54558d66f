"""Gas that leaves where it should not."""

from __future__ import annotations

from collector.domain.conditions.shape import Condition, Setting, delays
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

CONDITIONS = (
    Condition(
        id="tank-leak", title="The tank leaks", applies_to="generator",
        signal=Signal.SERVICE, priority=Priority.MEDIUM, cautions=("compressor", "oxygen"),
        causes=(
            "the tank's drain: shut it, look whether an automatic one hangs open",
            "fittings, gauges and hoses at the tank: soap them",
            "the relief valve: listen at it",
            "the compressor's check valve: gas that comes back through the intake",
            "a test or spare connection at the header left open",
        ),
        settings=(
            Setting(name="limit", kind="pressure-rate", default="3 psi/h",
                    source="setting; any fall of an isolated tank is a leak by common practice, "
                           "but a room that cools by 5 K in an hour moves a full tank 1.6 psi",
                    doc="fastest fall of a tank that nobody draws from"),
            Setting(name="deadband", kind="percent", default="30 %", source="setting",
                    doc="how far below the limit the fall must be to have returned"),
            Setting(name="settle", kind="duration", default="15 min",
                    source="setting; a tank loses the heat of a run in about that time",
                    doc="time after a run that is left out"),
            Setting(name="stretch", kind="duration", default="10 min", source="setting",
                    doc="how long nothing may be drawn for a fall to be taken as it is"),
            *delays("0 s", "0 s", "setting; two such falls in a row are delay enough"),
        ),
    ),
    Condition(id="leak-high", title="Leak above its limit", applies_to="riser",
              signal=Signal.SERVICE, priority=Priority.MEDIUM),
    Condition(id="leak-growing", title="Leak is growing", applies_to="riser",
              signal=Signal.SERVICE, priority=Priority.LOW),
)
