"""Conditions of the generator's mode: air-fill, and air in nitrogen mode."""

from __future__ import annotations

from collector.domain.conditions.schema import DAY, MAX_GAP, Cause, Condition, Setting, delays
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

CONDITIONS = (
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
