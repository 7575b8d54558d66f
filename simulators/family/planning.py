"""Times of a fault's begin and repair, and the conditions that a larger demand may raise."""

from __future__ import annotations

from simulators.family.draft import Draft
from simulators.family.specs import Generator, Riser

__all__ = ["HOUR", "allow_demand", "delivery_at", "demand_of", "mended", "onset", "refill_time"]

HOUR = 3600.0


def onset(draft: Draft, low: float = 0.3, high: float = 0.55) -> float:
    """Return when the fault begins, in s, as a share of the recording."""
    return round(draft.length * draft.dice.even(low, high))


def mended(draft: Draft, start: float, probability: float) -> float | None:
    """Return when the fault is mended within the recording, or ``None``."""
    end = start + max(draft.dice.even(0.1, 0.3) * draft.length, 8 * HOUR)
    return end if draft.dice.chance(probability) and end < 0.9 * draft.length else None


def delivery_at(unit: Generator, share: float = 0.85) -> float:
    """Return the nitrogen made (mol/s) with the tank at a share of its cut-out."""
    return unit.delivery * (1.0 - unit.pressure_loss * share)


def refill_time(draft: Draft, unit: Generator) -> float:
    """Return how long an isolated tank takes from cut-in to cut-out on nitrogen, in s."""
    one = unit.tank_volume * 6894.757 / (8.3145 * 293.0)
    return one * (unit.cut_out - unit.cut_in) / delivery_at(unit)


def demand_of(draft: Draft, index: int) -> float:
    """Return the mean flow (mol/s) out of a tank, vents included."""
    unit = draft.generators[index]
    total = unit.leak
    for riser in draft.risers:
        if riser.fed_by == index:
            total += max(riser.leak, riser.creep)
            vent = riser.vent
            if vent is not None and (vent.kind == "orifice" or draft.purge):
                total += vent.flow
            elif vent is not None and vent.kind == "timer":
                total += vent.flow * vent.timer_open / vent.timer_period
    return total


def allow_demand(draft: Draft, riser: Riser, start: float, end: float) -> None:
    """Allow the conditions that a riser with a larger draw may raise."""
    unit = draft.generators[riser.fed_by]
    last = end + 48 * HOUR
    draft.allow(riser.id, start, last, "leak-high", "leak-growing", "pressure-low",
                "low-air-contact", "pressure-falling-fast")
    draft.allow(unit.id, start, last, "compressor-long-run", "compressor-overduty", "leak-high",
                "leak-growing", "air-fill-stuck", "air-fill-frequent", "compressor-short-cycling",
                "tank-leak")
    for other in draft.risers:
        if other.fed_by == riser.fed_by:
            draft.allow(other.id, start, last, "pressure-low", "low-air-contact")
            if other.vent is not None:  # after a fallback there is air in every pipe
                draft.allow(other.vent.id, start, last + 240 * HOUR, "oxygen-rising",
                            "oxygen-not-falling", "vent-stuck-closed", "purge-blocked")
