"""Air or nitrogen: what the generator says it makes, and what it makes."""

from __future__ import annotations

from collector.domain.conditions.shape import MAX_GAP, Condition, Setting, delays
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

CONDITIONS = (
    Condition(
        id="air-fill-stuck", title="Stuck in air-fill", applies_to="generator",
        signal=Signal.TROUBLE, priority=Priority.HIGH, cautions=("impairment", "compressor"),
        causes=(
            "a leak or an open drain larger than the unit can make up on nitrogen",
            "a system being filled that nobody declared",
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
            Setting(name="deadband", kind="pressure", default="1 psi",
                    source="2 % of pressure, EEMUA 191 as quoted (check-values H)",
                    doc="how far below the return pressure the tank must fall to count as below"),
            MAX_GAP,
            *delays("5 s", "5 s"),
        ),
    ),
    Condition(id="air-fill-frequent", title="Falls back to air-fill too often",
              applies_to="generator", signal=Signal.TROUBLE, priority=Priority.MEDIUM),
    Condition(id="air-in-nitrogen-mode", title="Air while it says nitrogen",
              applies_to="generator", signal=Signal.TROUBLE, priority=Priority.HIGH,
              cautions=("oxygen",)),
    Condition(id="product-oxygen-high", title="Product oxygen too high",
              applies_to="generator", signal=Signal.TROUBLE, priority=Priority.MEDIUM),
)
