"""Faults of the gas itself: modes, product, vents and their oxygen sensors."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from simulators.family import columns as c
from simulators.family.draft import HOUR, Draft, delivery_at, demand_of, mended, onset, refill_time
from simulators.family.specs import FaultPlan, Generator, Riser, Vent

__all__ = ["OXYGEN_FAULTS"]


def _generator(draft: Draft, *quantities: str) -> int | None:
    able = [k for k, u in enumerate(draft.generators)
            if all(f"{u.id}.{q}" in draft.points for q in quantities)]
    return able[draft.dice.whole(0, len(able) - 1)] if able else None


def _vented(draft: Draft, *quantities: str, kinds: tuple[str, ...] = (
        "oxygen", "timer", "orifice")) -> tuple[int, Riser, Vent] | None:
    """Return a riser whose vent has these points, and the vent."""
    able = [(k, r, r.vent) for k, r in enumerate(draft.risers) if r.vent is not None
            and r.vent.kind in kinds
            and all(f"{r.vent.id}.{q}" in draft.points for q in quantities)]
    return able[draft.dice.whole(0, len(able) - 1)] if able else None


def _sweep(draft: Draft, riser: Riser, vent: Vent) -> float:
    """Return the purge's time constant in s of the clock."""
    share = vent.timer_open / vent.timer_period if vent.kind == "timer" else 1.0
    held = (riser.setting * 6894.757 + draft.ambient) / 6894.757 * draft.one_psi(riser)
    return held / (vent.flow * share)


def _cycle(draft: Draft, index: int) -> float:
    """Return the time from one start of a compressor to the next, in s."""
    unit = draft.generators[index]
    return refill_time(draft, unit) * (1.0 + delivery_at(unit) / demand_of(draft, index))


def _allow_air(draft: Draft, unit: Generator, index: int, start: float, end: float) -> None:
    draft.allow(unit.id, start, end + 48 * HOUR, "product-oxygen-high", "air-in-nitrogen-mode",
                "compressor-long-run", "compressor-short-cycling", "air-fill-frequent",
                "air-fill-stuck", "compressor-weak")
    for riser in draft.risers:
        if riser.fed_by == index and riser.vent is not None:
            draft.allow(riser.vent.id, start, end + 480 * HOUR, "oxygen-rising",
                        "oxygen-not-falling", "vent-stuck-open", "vent-stuck-closed")


def _air_fill_stuck(draft: Draft) -> FaultPlan | None:
    index = _generator(draft, "mode")
    if index is None or draft.generators[index].air_fill_below is None:
        return None
    unit = draft.generators[index]
    start = onset(draft)
    end = mended(draft, start, 0.5)
    draft.set("generator", index, c.G_FORCE_AIR, 1.0, start, 0.0, end)
    _allow_air(draft, unit, index, start, end or draft.length)
    rest = unit.mode == "off-at-rest"
    return FaultPlan(condition="air-fill-stuck", asset=unit.id, cause="valve stuck", onset=start,
                     end=end, hard=True, grace=24 * HOUR if rest else HOUR,
                     rule="runs" if rest else "at-once", where=index, count=3)


def _air_fill_frequent(draft: Draft) -> FaultPlan | None:
    index = _generator(draft, "mode")
    if index is None or draft.generators[index].air_fill_below is None:
        return None
    unit = draft.generators[index]
    every = draft.every(unit.id)
    cycle = _cycle(draft, index)
    refill = refill_time(draft, unit)
    if cycle > 4 * HOUR or refill / unit.air_ratio < 4.0 * every:
        return None
    # Where no poll finds the nitrogen that ends each run, it is stuck for all that is seen.
    if unit.mode == "off-at-rest" and refill * 2.5 / (unit.cut_out - unit.cut_in) < 2.0 * every:
        return None
    start = onset(draft)
    end = mended(draft, start, 0.3)
    draft.set("generator", index, c.G_AIR_BELOW, unit.cut_in + 2.5, start,
              unit.air_fill_below or 0.0, end)
    draft.set("generator", index, c.G_AIR_RETURN, unit.cut_out - 2.5, start, unit.air_fill_return,
              end)
    _allow_air(draft, unit, index, start, end or draft.length)
    return FaultPlan(condition="air-fill-frequent", asset=unit.id, cause="set points too close",
                     onset=start, end=end, hard=False, grace=2 * HOUR, rule="fallbacks",
                     where=index, count=5)


def _bypassed(draft: Draft) -> FaultPlan | None:
    index = _generator(draft, "mode", "product_oxygen")
    if index is None:
        return None
    unit = draft.generators[index]
    start = onset(draft)
    end = mended(draft, start, 0.4)
    draft.set("generator", index, c.G_BYPASS, 1.0, start, 0.0, end)
    _allow_air(draft, unit, index, start, end or draft.length)
    return FaultPlan(condition="air-in-nitrogen-mode", asset=unit.id, cause="separator bypassed",
                     onset=start, end=end, hard=True, grace=2 * HOUR, rule="runs", where=index,
                     count=5)


def _product_high(draft: Draft) -> FaultPlan | None:
    index = _generator(draft, "product_oxygen")
    if index is None:
        return None
    unit = draft.generators[index]
    # The analyser must have settled well before the run ends.
    if refill_time(draft, unit) < 4.0 * unit.seen_time + 3.0 * unit.analyser_lag + 240.0:
        return None
    start = onset(draft)
    end = mended(draft, start, 0.3)
    bad = unit.oxygen + 0.012 + draft.dice.even(0.012, 0.04)
    draft.set("generator", index, c.G_OXYGEN, bad, start, unit.oxygen, end)
    _allow_air(draft, unit, index, start, end or draft.length)
    return FaultPlan(condition="product-oxygen-high", asset=unit.id, cause="separator fouled",
                     onset=start, end=end, hard=False, grace=12 * HOUR, rule="runs", where=index,
                     count=4)


def _not_falling(draft: Draft) -> FaultPlan | None:
    found = _vented(draft, "oxygen")
    if not draft.purge or found is None:
        return None
    at, riser, vent = found
    unit = draft.generators[riser.fed_by]
    tau = _sweep(draft, riser, vent)
    # While the purge is still due.
    start = min(onset(draft, 0.05, 0.3), 1.2 * tau)
    if not vent.listed_flow:
        return None
    cause = draft.dice.one({"orifice half blocked": 1.0, "supply": 0.6})
    if cause == "supply":
        draft.set("generator", riser.fed_by, c.G_OXYGEN, vent.target + draft.dice.even(0.015, 0.05),
                  start)
        _allow_air(draft, unit, riser.fed_by, start, draft.length)
        grace = 4.0 * tau
    else:
        clear = draft.dice.even(0.15, 0.3)
        # Where leaks sweep half as much as the vent should, the purge goes on as predicted.
        if clear + riser.leak / vent.flow > 0.5:
            return None
        draft.set("riser", at, c.V_CLEAR, clear, start)
        grace = 1.5 * tau + 48 * HOUR
    for other in draft.risers:
        if other.vent is not None and other.fed_by == riser.fed_by:
            draft.allow(other.vent.id, start, 2 * draft.length, "oxygen-not-falling")
    draft.allow(vent.id, start, 2 * draft.length, "purge-blocked", "oxygen-not-falling")
    return FaultPlan(condition="oxygen-not-falling", asset=vent.id, cause=cause, onset=start,
                     end=None, hard=False, grace=grace, rule="end-oxygen-above", where=at,
                     level=vent.target + 0.01)


def _rising(draft: Draft) -> FaultPlan | None:
    found = _vented(draft, "oxygen")
    if draft.purge or found is None:
        return None
    at, riser, vent = found
    start = onset(draft, 0.1, 0.3)
    draft.set("riser", at, c.V_SHOP_AIR, 1.0, start)
    if f"{riser.id}.bypass_open" in draft.points:
        draft.force(f"{riser.id}.bypass_open", start, draft.length, "value", 1.0)
    draft.allow(vent.id, start, 2 * draft.length, "vent-stuck-closed", "oxygen-not-falling",
                "vent-stuck-open", "oxygen-sensor-suspect", "purge-blocked")
    return FaultPlan(condition="oxygen-rising", asset=vent.id, cause="shop air at the bypass",
                     onset=start, end=None, hard=False, grace=72 * HOUR, rule="end-oxygen-above",
                     where=at, level=vent.target + 0.012)


def _sensor_suspect(draft: Draft) -> FaultPlan | None:
    found = _vented(draft, "oxygen")
    if found is None:
        return None
    at, riser, vent = found
    start = onset(draft)
    cause = draft.dice.one({"impossible": 1.0, "step": 1.0, "frozen": 1.0 if draft.purge else 0.0})
    if cause == "frozen":  # while the purge still moves the gas that it does not show
        start = min(start, 1.2 * _sweep(draft, riser, vent))
    end = mended(draft, start, 0.3)
    last = end or draft.length
    grace = 2 * HOUR
    if cause == "frozen":
        draft.force(f"{vent.id}.oxygen", start, last, "hold")
        draft.set("riser", at, c.V_FROZEN, 1.0, start, 0.0, end)
        grace = 0.3 * _sweep(draft, riser, vent) + 12 * HOUR
    elif cause == "impossible":
        wrong = draft.dice.even(24.0, 30.0) if draft.dice.chance(0.6) else draft.dice.even(-8, -2)
        draft.force(f"{vent.id}.oxygen", start, last, "value", wrong)
    else:
        shift = draft.dice.even(3.0, 7.0)
        draft.force(f"{vent.id}.oxygen", start, last, "shift", shift)
        draft.set("riser", at, c.V_OFFSET, vent.offset + shift / 100.0, start, vent.offset, end)
    draft.allow(vent.id, start, last + 96 * HOUR, "oxygen-rising", "oxygen-not-falling",
                "vent-stuck-open", "vent-stuck-closed", "purge-blocked")
    unit = draft.generators[riser.fed_by]
    draft.allow(unit.id, start, last + 48 * HOUR, "compressor-overduty", "compressor-long-run")
    return FaultPlan(condition="oxygen-sensor-suspect", asset=vent.id, cause=cause, onset=start,
                     end=end, hard=cause != "frozen", grace=grace)


def _stuck_open(draft: Draft) -> FaultPlan | None:
    found = _vented(draft, "oxygen", "open", kinds=("oxygen",))
    if draft.purge or found is None:
        return None
    at, riser, vent = found
    start = onset(draft)
    end = mended(draft, start, 0.3)
    draft.set("riser", at, c.V_STUCK, 1.0, start, -1.0, end)
    unit = draft.generators[riser.fed_by]
    last = (end or draft.length) + 48 * HOUR
    draft.allow(unit.id, start, last, "compressor-overduty", "compressor-long-run", "leak-high",
                "leak-growing")
    draft.allow(riser.id, start, last, "leak-high", "leak-growing")
    return FaultPlan(condition="vent-stuck-open", asset=vent.id, cause="dirt in the seat",
                     onset=start, end=end, hard=False, rule="end-oxygen-below",
                     where=at, level=vent.target - 0.005, grace=36 * HOUR)


def _stuck_closed(draft: Draft) -> FaultPlan | None:
    found = _vented(draft, "oxygen", "open", kinds=("oxygen",))
    if not draft.purge or found is None:
        return None
    at, riser, vent = found
    # While the purge is still due.
    start = min(onset(draft, 0.1, 0.4), 1.2 * _sweep(draft, riser, vent))
    end = mended(draft, start, 0.3)
    draft.set("riser", at, c.V_STUCK, 0.0, start, -1.0, end)
    draft.allow(vent.id, start, (end or draft.length) + 48 * HOUR, "oxygen-not-falling",
                "oxygen-rising", "purge-blocked")
    return FaultPlan(condition="vent-stuck-closed", asset=vent.id, cause="coil burnt out",
                     onset=start, end=end, hard=False, grace=40 * HOUR)


def _blocked(draft: Draft) -> FaultPlan | None:
    found = _vented(draft, "oxygen", "open", kinds=("oxygen", "timer"))
    if not draft.purge or found is None or not found[2].listed_flow:
        return None
    at, riser, vent = found
    if vent.flow < 0.5 * riser.leak:
        return None
    tau = _sweep(draft, riser, vent)
    start = min(onset(draft, 0.1, 0.4), 1.2 * tau)
    end = mended(draft, start, 0.3)
    draft.set("riser", at, c.V_CLEAR, 0.0 if draft.dice.chance(0.5) else 0.03, start, 1.0, end)
    if f"{vent.id}.water" in draft.points:
        draft.force(f"{vent.id}.water", start, end or draft.length, "value", 1.0)
        draft.allow(vent.id, start, (end or draft.length) + HOUR, "water-at-vent")
    draft.allow(vent.id, start, (end or draft.length) + 96 * HOUR, "oxygen-not-falling",
                "oxygen-sensor-suspect", "oxygen-rising")
    return FaultPlan(condition="purge-blocked", asset=vent.id, cause="water in the pipe",
                     onset=start, end=end, hard=False, grace=0.6 * tau + 48 * HOUR)


OXYGEN_FAULTS: Mapping[str, Callable[[Draft], FaultPlan | None]] = {
    "air-fill-stuck": _air_fill_stuck,
    "air-fill-frequent": _air_fill_frequent,
    "air-in-nitrogen-mode": _bypassed,
    "product-oxygen-high": _product_high,
    "oxygen-not-falling": _not_falling,
    "oxygen-rising": _rising,
    "oxygen-sensor-suspect": _sensor_suspect,
    "vent-stuck-open": _stuck_open,
    "vent-stuck-closed": _stuck_closed,
    "purge-blocked": _blocked,
}
