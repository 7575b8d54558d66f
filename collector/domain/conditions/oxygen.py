"""Oxygen in the pipe, at the sensor and in the room."""

from __future__ import annotations

from collector.domain.conditions.shape import Condition, Setting, delays
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

CONDITIONS = (
    Condition(
        id="oxygen-not-falling", title="Oxygen is not falling", applies_to="vent",
        signal=Signal.TROUBLE, priority=Priority.MEDIUM, cautions=("oxygen",),
        causes=(
            "the generator was in air-fill: the pipe got air",
            "the vent closed, its orifice or filter clogged",
            "water in the pipe between riser and vent",
            "more pipe than the site file says, or a leak that takes the nitrogen before the vent",
            "the product is not pure: read the analyser",
            "the oxygen sensor",
        ),
        settings=(
            Setting(name="target", kind="percent", default=None,
                    source="the vent's target_oxygen in the site file; 2 % (98 % nitrogen, common "
                           "practice) otherwise", doc="oxygen at which the purge is done"),
            Setting(name="planned_days", kind="days", default=None,
                    source="setting; without it a purge is not late by the calendar",
                    doc="days after which a purge that is not done is late"),
            Setting(name="window", kind="duration", default=None,
                    source="a quarter of the predicted time constant, within 2 h to 3 days; "
                           "12 h where no flow is given",
                    doc="how much of the curve is looked at"),
            Setting(name="slow_factor", kind="number", default=0.5, source="setting",
                    doc="share of the predicted rate below which the purge is too slow"),
            Setting(name="deadband", kind="percent", default="0.5 %",
                    source="setting; several steps of a 0.1 % sensor",
                    doc="how far above the target a purge is held to be under way"),
            *delays("10 min", "10 min"),
        ),
    ),
    Condition(id="oxygen-rising", title="Oxygen is rising again", applies_to="vent",
              signal=Signal.TROUBLE, priority=Priority.MEDIUM, cautions=("oxygen",)),
    Condition(id="oxygen-sensor-suspect", title="Oxygen sensor suspect", applies_to="vent",
              signal=Signal.TROUBLE, priority=Priority.LOW),
    Condition(id="room-oxygen-low", title="Room oxygen low", applies_to="room",
              signal=Signal.SUPERVISORY, priority=Priority.HIGH, cautions=("oxygen",)),
)
