"""Conditions of supervisory pressure and of low temperature."""

from __future__ import annotations

from collector.domain.conditions.schema import Cause, Condition, Setting, delays
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

_ISA = "ISA-18.2 for pressure, from memory"

CONDITIONS = (
    Condition(
        id="pressure-low", title="Pressure low", applies_to="riser",
        signal=Signal.SUPERVISORY, priority=Priority.HIGH, cautions=("impairment",),
        plot="pressure", impairment=True,
        explained_by=(
            Cause("power-lost", "downstream", inhibits=False),
            Cause("declared fill", "downstream", inhibits=False),
            Cause("compressor-not-starting", "downstream", inhibits=False),
            Cause("pressure-falling-fast", "upstream", inhibits=False),
        ),
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
                    source="2 % of pressure, EEMUA 191 as a consultancy quotes it",
                    doc="how far above the limit it must rise to have returned"),
            *delays("15 s", "15 s", _ISA),
        ),
    ),
    Condition(
        id="pressure-high", title="Pressure high", applies_to="riser",
        signal=Signal.SUPERVISORY, priority=Priority.HIGH, cautions=("impairment",),
        plot="pressure",
        causes=(
            "the bypass of the air maintenance device left open",
            "the air maintenance device set too high, creeping or with dirt in its seat",
            "water leaking past the valve into the pipe: open the drain as the procedure says",
            "a hot day on a pipe that was filled cold",
            "the pressure sensor or its line",
        ),
        settings=(
            Setting(name="limit", kind="pressure", default=None,
                    source="the riser's high_pressure in the site file", doc="highest pressure"),
            Setting(name="deadband", kind="pressure", default="0.5 psi",
                    source="2 % of pressure, EEMUA 191 as a consultancy quotes it",
                    doc="how far below the limit it must fall to have returned"),
            *delays("15 s", "15 s", _ISA),
        ),
    ),
    Condition(
        id="pressure-falling-fast", title="Pressure falling fast",
        applies_to="riser", signal=Signal.SUPERVISORY, priority=Priority.HIGH,
        cautions=("impairment", "oxygen"),
        plot="pressure", impairment=True,
        causes=(
            "an open head or a fire: see whether water flows, and follow the site's procedure",
            "a broken pipe, a fitting let go, an open drain or test valve",
            "the valve tripping",
            "the system being bled down for work that was not declared",
            "the pressure sensor or its line",
        ),
        settings=(
            Setting(name="limit", kind="pressure-rate", default=None,
                    source="three times what the riser's vents take from its volume, at least "
                           "0.5 psi/min; setting",
                    doc="fastest fall that leak, vent and weather could explain"),
            Setting(name="drop", kind="pressure", default="2 psi",
                    source="setting; draining low points takes 0.3 to 1.5 psi by common practice",
                    doc="how much must be lost at that rate, the gauge's own step and scatter on "
                        "top"),
            *delays("5 s", "60 s"),
        ),
    ),
    Condition(
        id="low-temperature", title="Valve room temperature low", applies_to="riser",
        signal=Signal.SUPERVISORY, priority=Priority.HIGH,
        plot="valve_room_temperature",
        causes=(
            "a door or louvre left open",
            "the room's heater: its power, thermostat, fuel",
            "cold weather beyond what the heater can carry: bring another",
            "the sensor: in a draught, on the cold pipe, or failed",
        ),
        settings=(
            Setting(name="limit", kind="temperature", default=None,
                    source="40 F, or 4 C where the site reads metric units: NFPA 25 (2014), as a "
                           "checklist quotes it",
                    doc="lowest temperature of the valve room"),
            Setting(name="deadband", kind="temperature", default="1 degC",
                    source="setting; several steps of a 0.1 degree sensor",
                    doc="how far above the limit it must rise to have returned"),
            *delays("60 s", "60 s", "ISA-18.2 for temperature, from memory"),
        ),
    ),
)
