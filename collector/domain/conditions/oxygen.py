"""Conditions of oxygen: in the pipe, at the sensor, in the room."""

from __future__ import annotations

from collector.domain.conditions.schema import DAY, Cause, Condition, Setting, delays
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

CONDITIONS = (
    Condition(
        id="oxygen-not-falling", title="Oxygen not falling", applies_to="vent",
        signal=Signal.TROUBLE, priority=Priority.MEDIUM, cautions=("oxygen",),
        plot="oxygen", impairment=True,
        explained_by=(
            Cause("power-lost", "downstream"), Cause("compressor-not-starting", "downstream"),
            Cause("oxygen-sensor-suspect", "same"), Cause("vent-stuck-closed", "same"),
            # The slope's window still holds the hours that were blocked.
            Cause("purge-blocked", "same", after=DAY),
        ),
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
    Condition(
        id="oxygen-rising", title="Oxygen rising", applies_to="vent",
        signal=Signal.TROUBLE, priority=Priority.MEDIUM, cautions=("oxygen",),
        plot="oxygen", impairment=True,
        explained_by=(
            Cause("power-lost", "downstream", inhibits=False), Cause("declared fill", "downstream"),
            Cause("oxygen-sensor-suspect", "same"),
        ),
        causes=(
            "was the system filled or opened: declare the fill, and purge again",
            "the generator's mode and its product oxygen: air or poor gas went into the pipe",
            "a compressor or hose on the pipe that is not the generator's",
            "the vent: does it open and flow when it should",
            "dead legs that give back oxygen, where the rise came soon after the purge",
            "the oxygen sensor: check it in room air, 20.9 %",
        ),
        settings=(
            Setting(name="rise", kind="percent", default=None,
                    source="0.5 %, several steps of a 0.1 % sensor; two steps above where the "
                           "vent's controller was seen to open it, if that is more; 1 % behind a "
                           "shut vent until then (controllers let 0.2 to 0.8 % come back, common "
                           "practice)",
                    doc="how far above the target the oxygen must stay to be called rising"),
            Setting(name="deadband", kind="percent", default="0.3 %",
                    source="setting; three steps of a 0.1 % sensor",
                    doc="how far below that line it must fall to have returned"),
            Setting(name="window", kind="duration", default="3 h", source="setting",
                    doc="for how long all of the readings of the pipe's gas must show it"),
            *delays("0 s", "0 s", "setting; the window is delay enough"),
        ),
    ),
    Condition(
        id="oxygen-sensor-suspect", title="Oxygen sensor suspect", applies_to="vent",
        signal=Signal.TROUBLE, priority=Priority.LOW,
        plot="oxygen",
        explained_by=(Cause("power-lost", "downstream"),),
        causes=(
            "the sensor's plug, supply and wiring",
            "the sensor in room air: it must read 20.9 %",
            "the age of the cell: the maker's sheet says for how many years it lives",
            "water or oil on the sensor",
            "the controller's scaling of the input",
        ),
        settings=(
            Setting(name="below_zero", kind="percent", default="0.5 %",
                    source="setting; the tolerance of a common cell",
                    doc="how far below zero a reading is still possible"),
            Setting(name="highest", kind="percent", default="22.5 %",
                    source="20.95 % in dry air (US Standard Atmosphere 1976), more the tolerance "
                           "of a common cell",
                    doc="a reading above it is impossible"),
            Setting(name="movement", kind="percent", default="0.5 %",
                    source="setting; five steps of a 0.1 % sensor",
                    doc="by how much the purge should have moved a reading that never changed"),
            Setting(name="frozen_after", kind="duration", default="2 h", source="setting",
                    doc="for how long at least a reading must not have changed"),
            Setting(name="step", kind="percent", default="2 %", source="setting",
                    doc="least change between two readings that is a step"),
            Setting(name="step_hold", kind="duration", default="24 h", source="setting",
                    doc="for how long a step is shown that the sensor does not take back"),
            Setting(name="dead_after", kind="duration", default="30 min", source="setting",
                    doc="for how long the sensor may give nothing while its device answers"),
            *delays("5 min", "5 min"),
        ),
    ),
    Condition(
        id="room-oxygen-low", title="Room oxygen low", applies_to="room",
        signal=Signal.SUPERVISORY, priority=Priority.HIGH, cautions=("oxygen",),
        plot="oxygen",
        causes=(
            "stay out; open doors and start the ventilation from outside",
            "measure from the door with a portable instrument before anyone goes in",
            "a leak of nitrogen in the room: tank, hoses, relief valve, the separator's waste gas "
            "is not led outside",
            "the ventilation off or blocked",
            "the cell: past its life it reads low",
        ),
        settings=(
            Setting(name="limit", kind="percent", default="19.5 %",
                    source="29 CFR 1910.134: below it an atmosphere is oxygen-deficient",
                    doc="lowest oxygen"),
            Setting(name="deadband", kind="percent", default="0.3 %",
                    source="setting; three steps of a 0.1 % cell",
                    doc="how far above the limit it must rise to have returned"),
            *delays("10 s", "1 min"),
        ),
    ),
)
