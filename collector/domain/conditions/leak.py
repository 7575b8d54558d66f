"""Conditions of leaks, of pipes and of tanks."""

from __future__ import annotations

from collector.domain.conditions.schema import Cause, Condition, Setting, delays
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

CONDITIONS = (
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
