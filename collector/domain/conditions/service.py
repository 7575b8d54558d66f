"""Conditions of service: due by the calendar or the hour counter."""

from __future__ import annotations

from collector.domain.conditions.schema import MAX_GAP, Condition, delays
from collector.domain.events import Priority, Signal

__all__ = ["CONDITIONS"]

CONDITIONS = (
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
