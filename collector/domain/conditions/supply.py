"""Conditions of the generator: compressor, air or nitrogen mode, service."""

from __future__ import annotations

from collector.domain.conditions.schema import DAY, MAX_GAP, Cause, Condition, Setting, delays
from collector.domain.events import Priority, Signal

COMPRESSOR = (
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


MODE = (
    Condition(
        id="air-fill-stuck", title="Stuck in air-fill", applies_to="generator",
        signal=Signal.TROUBLE, priority=Priority.HIGH, cautions=("impairment", "compressor"),
        plot="tank_pressure", impairment=True,
        explained_by=(
            Cause("declared fill", "downstream", inhibits=False),
            Cause("pressure-falling-fast", "upstream", inhibits=False),
        ),
        causes=(
            "a leak or an open drain larger than the unit can make up on nitrogen",
            "a system being filled without a declared fill",
            "a compressor that no longer reaches the pressure where the unit returns to nitrogen",
            "the air-fill valve or its pilot stuck, or the mode switch left by hand",
        ),
        settings=(
            Setting(name="limit", kind="duration", default="30 min", source="common practice",
                    doc="longest stay in air-fill"),
            Setting(name="fill_limit", kind="duration", default="60 min", source="setting",
                    doc="longest stay in air-fill during a declared system fill"),
            Setting(name="return_pressure", kind="pressure", default=None,
                    source="the site file's cut_out; 80 psi by common practice",
                    doc="tank pressure above which the unit should have gone back to nitrogen"),
            Setting(name="return_delay", kind="duration", default="2 min", source="setting",
                    doc="how long it may stay in air-fill above the return pressure"),
            Setting(name="runs", kind="count", default=3, source="setting",
                    doc="so many runs in a row in air-fill alone, where the mode says off between "
                        "runs; 0: never"),
            Setting(name="deadband", kind="pressure", default="1 psi",
                    source="2 % of pressure, EEMUA 191 as a consultancy quotes it",
                    doc="how far below the return pressure the tank must fall to count as below"),
            MAX_GAP,
            *delays("5 s", "5 s"),
        ),
    ),
    Condition(
        id="air-fill-frequent", title="Frequent air-fill",
        applies_to="generator", signal=Signal.TROUBLE, priority=Priority.MEDIUM,
        cautions=("impairment",),
        plot="tank_pressure", impairment=True,
        explained_by=(
            Cause("declared fill", "downstream", after=DAY),
            # Where the mode says off at rest, each run of a stuck unit looks like a fallback.
            Cause("air-fill-stuck", "same", after=DAY),
        ),
        causes=(
            "a leak or an open drain larger than the unit can make up on nitrogen",
            "systems being filled without a declared fill",
            "a purge vent that flows more than the unit makes",
            "a compressor or separator that delivers less than it did",
            "the fallback pressure set too close to cut-in",
        ),
        settings=(
            Setting(name="limit", kind="count", default=3, source="setting",
                    doc="most fallbacks in 24 h, those of declared fills not counted"),
            Setting(name="deadband", kind="count", default=1, source="setting",
                    doc="how far below the limit they must fall to have returned"),
            Setting(name="bounce", kind="duration", default="10 s", source="setting",
                    doc="a shorter change of mode is bounce and no fallback"),
            *delays("0 s", "0 s", "setting; the day is delay enough"),
        ),
    ),
    Condition(
        id="air-in-nitrogen-mode", title="Air in nitrogen mode",
        applies_to="generator", signal=Signal.TROUBLE, priority=Priority.HIGH,
        cautions=("oxygen", "compressor"),
        plot="product_oxygen",
        explained_by=(Cause("power-lost", "downstream"),),
        causes=(
            "the air-fill valve or a hand bypass of the separator: open, or leaking through",
            "a mode contact or register that does not follow the valve",
            "the analyser: is it switched on, does its sample line flow, does it read 20.9 % in "
            "room air and less on bottled nitrogen",
            "the separator: a broken membrane, a valve that no longer switches",
        ),
        settings=(
            Setting(name="limit", kind="percent", default="18 %",
                    source="setting; dry air holds 20.95 % (US Standard Atmosphere 1976), a "
                           "separator in the path never this much",
                    doc="product oxygen from which it is held to be air"),
            Setting(name="deadband", kind="percent", default="1 %", source="setting",
                    doc="how far below the limit it must fall to have returned"),
            Setting(name="settle", kind="duration", default="5 min", source="setting",
                    doc="time after a change of mode in which nothing is judged"),
            Setting(name="warm_up", kind="duration", default="1 min", source="setting",
                    doc="time after each start of the compressor in which nothing is judged"),
            MAX_GAP,
            *delays("1 min", "1 min"),
        ),
    ),
    Condition(
        id="product-oxygen-high", title="Product oxygen high",
        applies_to="generator", signal=Signal.TROUBLE, priority=Priority.MEDIUM,
        cautions=("compressor",),
        plot="product_oxygen",
        explained_by=(
            Cause("power-lost", "downstream"), Cause("air-in-nitrogen-mode", "same"),
        ),
        causes=(
            "the flow through the separator set too high, or its control valve moved",
            "inlet filters or the dryer: water and oil spoil a separator",
            "a separator that is too cold or too warm, or worn",
            "air leaking past the air-fill valve",
            "the analyser: check it in room air, 20.9 %",
        ),
        settings=(
            Setting(name="limit", kind="percent", default=None,
                    source="the site file's product_oxygen_limit; 3 % (98 % +- 1 % nitrogen, "
                           "common practice) otherwise",
                    doc="most oxygen the product may hold"),
            Setting(name="deadband", kind="percent", default="0.2 %", source="setting",
                    doc="how far below the limit it must fall to have returned"),
            Setting(name="settle", kind="duration", default="5 min", source="setting",
                    doc="time after a change of mode in which nothing is judged"),
            Setting(name="warm_up", kind="duration", default="3 min", source="setting",
                    doc="time after each start of the compressor in which nothing is judged"),
            MAX_GAP,
            *delays("2 min", "1 min"),
        ),
    ),
)


SERVICE = (
    Condition(
        id="service-due", title="Service due", applies_to="generator",
        signal=Signal.SERVICE, priority=Priority.LOW, cautions=("compressor",),
        causes=(
            "do the planned service by the maker's sheet: filters, drains, belts, valves",
            "then write its date and what the hour counter reads as last_service and "
            "last_service_hours in the site file",
        ),
        settings=(MAX_GAP, *delays("0 s", "0 s")),
    ),
)
