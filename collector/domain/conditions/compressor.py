"""How long, how often and how well the compressor runs."""

from __future__ import annotations

from collector.domain.conditions.shape import MAX_GAP, Condition, Setting, delays
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

CONDITIONS = (
    Condition(
        id="compressor-long-run", title="Compressor runs too long", applies_to="generator",
        signal=Signal.TROUBLE, priority=Priority.HIGH, cautions=("compressor",),
        causes=(
            "a leak in the pipe or at the tank: listen, soap the joints",
            "a riser being filled that nobody declared, or a bypass left open",
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
    Condition(id="compressor-overduty", title="Compressor runs too much of the day",
              applies_to="generator", signal=Signal.TROUBLE, priority=Priority.MEDIUM),
    Condition(id="compressor-short-cycling", title="Compressor starts too often",
              applies_to="generator", signal=Signal.TROUBLE, priority=Priority.MEDIUM),
    Condition(id="compressor-not-starting", title="Compressor does not start",
              applies_to="generator", signal=Signal.TROUBLE, priority=Priority.HIGH),
    Condition(id="compressor-weak", title="Compressor delivers less than it did",
              applies_to="generator", signal=Signal.SERVICE, priority=Priority.MEDIUM),
)
