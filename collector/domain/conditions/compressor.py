"""Conditions of the compressor: run length, starts, duty, delivery."""

from __future__ import annotations

from collector.domain.conditions.schema import DAY, MAX_GAP, Cause, Condition, Setting, delays
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

CONDITIONS = (
    Condition(
        id="compressor-long-run", title="Compressor running too long", applies_to="generator",
        signal=Signal.TROUBLE, priority=Priority.HIGH, cautions=("compressor",),
        plot="tank_pressure", impairment=True,
        explained_by=(
            Cause("declared fill", "downstream", inhibits=False),
            Cause("air-fill-stuck", "same", inhibits=False),
            Cause("pressure-falling-fast", "upstream", inhibits=False),
            Cause("vent-stuck-open", "upstream", inhibits=False),
        ),
        causes=(
            "a leak in the pipe or at the tank: listen, soap the joints",
            "a riser being filled without a declared fill, or a bypass left open",
            "a worn compressor or a clogged intake filter",
            "the unit left in air-fill, so that the pipe takes all it makes",
            "a pressure switch that no longer opens at cut-out",
        ),
        settings=(
            Setting(name="limit", kind="duration", default=None,
                    source="tank volume, cut-in, cut-out and delivery of the site file; common "
                           "practice (12 min, half as much again as the 8 min pump-up of a small "
                           "unit on nitrogen) where one is missing",
                    doc="longest run allowed when refilling in nitrogen mode"),
            Setting(name="air_fill_limit", kind="duration", default="30 min",
                    source="common practice", doc="longest run allowed while in air-fill"),
            Setting(name="fill_limit", kind="duration", default="60 min",
                    source="setting; system fill is 30 min by common practice, doubled for a "
                           "freezer (NFPA 13, from memory)",
                    doc="longest run allowed during a declared system fill"),
            MAX_GAP,
            *delays("5 s", "5 s"),
        ),
    ),
    Condition(
        id="compressor-overduty", title="Compressor duty high",
        applies_to="generator", signal=Signal.TROUBLE, priority=Priority.MEDIUM,
        cautions=("compressor",),
        plot="tank_pressure", impairment=True,
        explained_by=(
            Cause("declared fill", "downstream", after=DAY),
            Cause("vent-stuck-open", "upstream", inhibits=False),
        ),
        causes=(
            "a leak in the pipe or at the tank: listen, soap the joints",
            "a purge vent that flows more than planned, or stands open",
            "a worn compressor or a clogged intake filter: time a pump-up",
            "more pipe on this unit than it was made for",
        ),
        settings=(
            Setting(name="limit", kind="percent", default="60 %",
                    source="setting; small oil-less compressors are commonly meant for half duty "
                           "(common practice), and a purge may take a little more",
                    doc="largest share of the last 24 h in which it may run"),
            Setting(name="deadband", kind="percent", default="3 %", source="setting",
                    doc="how far below the limit the duty must fall to have returned"),
            Setting(name="coverage", kind="percent", default="75 %", source="setting",
                    doc="share of the 24 h that must have been seen, by a device that is alive"),
            Setting(name="frozen_after", kind="duration", default="30 min",
                    source="setting; a running compressor moves its tank within minutes",
                    doc="time that does not count any more when the compressor reads running and "
                        "nothing its device says changes (eight times as long when it reads off)"),
            MAX_GAP,
            *delays("10 min", "10 min"),
        ),
    ),
    Condition(
        id="compressor-short-cycling", title="Compressor short cycling",
        applies_to="generator", signal=Signal.TROUBLE, priority=Priority.MEDIUM,
        cautions=("compressor",),
        plot="tank_pressure", impairment=True,
        explained_by=(
            Cause("declared fill", "downstream"),
            Cause("air-fill-stuck", "same", inhibits=False),
            Cause("air-in-nitrogen-mode", "same", inhibits=False),
        ),
        causes=(
            "cut-in and cut-out set too close, or a pressure switch that drifts",
            "a check valve that leaks back, so that the switch sees the compressor's own line",
            "a tank full of water: drain it",
            "a valve between tank and compressor that is partly closed",
            "a relay or contact that chatters",
        ),
        settings=(
            Setting(name="limit", kind="number", default=None,
                    source="the pump-up time of the acceptance or of its first good days, or tank "
                           "volume, cut-in, cut-out and delivery of the site file (half as often "
                           "again, at least twice more, than this tank can call for); 10 where "
                           "none is known (setting: no standard was found)",
                    doc="most starts in one hour"),
            Setting(name="deadband", kind="number", default=1.0, source="setting",
                    doc="how far below the limit the starts must fall to have returned"),
            Setting(name="bounce", kind="duration", default="10 s", source="setting",
                    doc="a shorter change of the contact is bounce and no start"),
            *delays("0 s", "0 s", "setting; the hour is delay enough"),
        ),
    ),
    Condition(
        id="compressor-not-starting", title="Compressor not starting",
        applies_to="generator", signal=Signal.TROUBLE, priority=Priority.HIGH,
        cautions=("compressor",),
        plot="tank_pressure",
        explained_by=(Cause("power-lost", "downstream"),),
        causes=(
            "the motor's overload or thermal protection has tripped: let it cool, find out why",
            "the pressure switch, or its line to the tank",
            "the motor, its capacitor or contactor",
            "a compressor that cannot start against pressure: the unloader",
            "the tank's pressure sensor, where the tank's own gauge reads more",
        ),
        settings=(
            Setting(name="cut_in", kind="pressure", default=None,
                    source="the site file's cut_in; without one, what the gauge read before the "
                           "last starts, from three on; 60 psi by common practice",
                    doc="tank pressure at which the compressor starts"),
            Setting(name="margin", kind="pressure", default="2 psi",
                    source="setting; what gauge and pressure switch may differ by",
                    doc="this far below cut-in it must start within the on-delay"),
            Setting(name="gauge", kind="pressure", default="0.5 psi",
                    source="setting; error and drift of the gauge of a sound unit",
                    doc="what the gauge may read below cut-in with the switch not yet closed; "
                        "more where past starts scattered more"),
            Setting(name="near_limit", kind="duration", default="30 min", source="setting",
                    doc="how long it may stay off below that, yet closer to cut-in than the "
                        "margin"),
            Setting(name="deadband", kind="pressure", default="1 psi",
                    source="2 % of pressure, EEMUA 191 as a consultancy quotes it",
                    doc="how far above cut-in the tank must rise to count as above"),
            MAX_GAP,
            *delays("60 s", "5 s"),
        ),
    ),
    Condition(
        id="compressor-weak", title="Compressor output low",
        applies_to="generator", signal=Signal.SERVICE, priority=Priority.MEDIUM,
        cautions=("compressor",),
        plot="tank_pressure",
        causes=(
            "the intake filter: look at it, change it",
            "a relief valve, drain or unloader that weeps while it runs: listen at each",
            "worn rings or valve plates: time a pump-up of the isolated tank",
            "a slipping belt, or a motor on low voltage",
            "the separator: its filters, or a purge of its own that passes too much",
        ),
        settings=(
            Setting(name="share", kind="percent", default="20 %", source="setting",
                    doc="by how much delivery must have fallen from its baseline"),
            Setting(name="deadband", kind="percent", default="5 %", source="setting",
                    doc="how far, as a share of the baseline, it must come back to have returned"),
            Setting(name="runs", kind="count", default=8, source="setting",
                    doc="how many of the last clean runs are looked at"),
            Setting(name="baseline", kind="flow", default=None,
                    source="learned from the first good days",
                    doc="delivery in good order, where it is known from acceptance"),
            Setting(name="baseline_days", kind="count", default=3, source="setting",
                    doc="how many good days the baselines of delivery, pump-up time and demand "
                        "are learned from"),
            *delays("0 s", "0 s", "setting; several runs are delay enough"),
        ),
    ),
)
