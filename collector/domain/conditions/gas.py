"""Conditions of the gas: pressure, leaks, oxygen."""

from __future__ import annotations

from collector.domain.conditions.schema import DAY, Cause, Condition, Setting, delays
from collector.domain.events import Priority, Signal

_ISA = "ISA-18.2 for pressure, from memory"

PRESSURE = (
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


LEAK = (
    Condition(
        id="tank-leak", title="Tank leak", applies_to="generator",
        signal=Signal.SERVICE, priority=Priority.MEDIUM, cautions=("compressor", "oxygen"),
        plot="tank_pressure", impairment=True,
        explained_by=(Cause("declared fill", "downstream"),),
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
                    doc="fastest fall of a tank that nothing draws from"),
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
    Condition(
        id="leak-high", title="Leak rate high", applies_to="riser", also=("generator",),
        signal=Signal.SERVICE, priority=Priority.MEDIUM, cautions=("impairment", "oxygen"),
        plot="pressure", impairment=True,
        explained_by=(
            Cause("declared fill", "downstream"), Cause("pressure-falling-fast", "same"),
            # Its causes name the leak; and a sensor that died low leaves only the demand.
            Cause("pressure-low", "same"),
            Cause("vent-stuck-open", "upstream", inhibits=False),
        ),
        causes=(
            "a drain, test or vent valve not quite shut",
            "the purge vent passing although it says shut",
            "couplings, joints and heads: listen, soap them, the newest work first",
            "the seat of the valve, its trim and its drip valve",
            "corrosion: a pipe that has rusted through leaks in more than one place",
        ),
        settings=(
            Setting(name="limit", kind="pressure-rate", default=None,
                    source="in-service tightness test of NFPA 25 (2014), 3 psi in 2 h at 40 psi, "
                           "for this volume, scaled to this pressure as the flow through a hole",
                    doc="highest leak, as pressure in a time: 26 psi/day"),
            Setting(name="window", kind="duration", default="12 h", source="setting",
                    doc="how much of the past is looked at; a day without a pipe temperature"),
            Setting(name="deadband", kind="percent", default="10 %", source="setting",
                    doc="how far below the limit the leak must come to have returned"),
            *delays("0 s", "0 s"),
        ),
    ),
    Condition(
        id="leak-growing", title="Leak rate growing", applies_to="riser", also=("generator",),
        signal=Signal.SERVICE, priority=Priority.LOW, cautions=("impairment",),
        plot="pressure", impairment=True,
        explained_by=(
            Cause("declared fill", "downstream"), Cause("pressure-falling-fast", "same"),
        ),
        causes=(
            "a joint or coupling that works loose: listen, soap the newest work first",
            "a drain, test or vent valve that was not quite shut the last time",
            "the seat of the valve, its trim and its drip valve",
            "corrosion, where the growth is steady and slow",
        ),
        settings=(
            Setting(name="share", kind="percent", default="20 %", source="setting",
                    doc="least growth of a trend, as a share of the leak it began at"),
            Setting(name="step", kind="percent", default="40 %", source="setting",
                    doc="least growth from one day to the next that raises it without a trend"),
            Setting(name="least", kind="percent", default="5 %", source="setting",
                    doc="least growth that matters, as a share of leak-high's limit"),
            *delays("0 s", "0 s"),
        ),
    ),
)


OXYGEN = (
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
