"""Faults of compressors, tanks, pipes and regulators."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from simulators.family import columns as c
from simulators.family.draft import (
    HOUR,
    Draft,
    allow_demand,
    delivery_at,
    demand_of,
    mended,
    onset,
    refill_time,
)
from simulators.family.specs import FaultPlan, Riser

__all__ = ["GAS_FAULTS"]


def _unit(draft: Draft) -> int:
    return draft.dice.whole(0, len(draft.generators) - 1)


def _riser(draft: Draft, *, quantity: str = "pressure") -> int | None:
    able = [k for k, r in enumerate(draft.risers) if f"{r.id}.{quantity}" in draft.points]
    return able[draft.dice.whole(0, len(able) - 1)] if able else None


def _has(draft: Draft, index: int, *quantities: str) -> bool:
    unit = draft.generators[index]
    return all(f"{unit.id}.{q}" in draft.points for q in quantities)


def _leak_column(draft: Draft, riser: Riser, leak: float) -> float:
    """Return the column's number for a leak of so many mol/s at supervisory pressure."""
    return leak / (riser.setting * 6894.757 if riser.leak_law == "linear" else draft.drive(riser))


def _long_run(draft: Draft) -> FaultPlan | None:
    index = _unit(draft)
    unit = draft.generators[index]
    start = onset(draft)
    end = mended(draft, start, 0.4)
    last = end or draft.length
    cause = draft.dice.one({"valve open": 1.0, "cut-out": 1.0, "worn": 1.0})
    fed = [k for k, r in enumerate(draft.risers) if r.fed_by == index]
    if cause == "valve open":
        at = fed[draft.dice.whole(0, len(fed) - 1)]
        riser = draft.risers[at]
        draft.set("riser", at, c.V_HOLE, draft.dice.even(1.0, 1.6) * unit.delivery
                  / draft.drive(riser), start, 0.0, end)
        allow_demand(draft, riser, start, last)
    elif cause == "cut-out":
        draft.set("generator", index, c.G_CUT_OUT, unit.relief + 40.0, start, unit.cut_out, end)
        draft.allow(unit.id, start, last + 48 * HOUR, "compressor-overduty", "compressor-weak",
                    "tank-leak", "leak-high")
    else:
        weak = max(draft.dice.even(0.22, 0.4), 1.1 * demand_of(draft, index) / delivery_at(unit))
        if weak > 0.42:
            return None
        draft.set("generator", index, c.G_FACTOR, weak, start, 1.0, end)
        draft.allow(unit.id, start, last + 48 * HOUR, "compressor-weak", "compressor-overduty")
        draft.allow("*", start, last + 48 * HOUR, "pressure-low", "air-fill-frequent")
    level = 2.2 * refill_time(draft, unit)
    return FaultPlan(condition="compressor-long-run", asset=unit.id, cause=cause, onset=start,
                     end=end, hard=True, grace=2700.0, rule="run-longer", where=index, level=level)


def _overduty(draft: Draft) -> FaultPlan | None:
    at = _riser(draft)
    if at is None:
        return None
    riser = draft.risers[at]
    unit = draft.generators[riser.fed_by]
    duty = draft.dice.even(0.72, 0.88)
    more = duty * delivery_at(unit, 0.9) - demand_of(draft, riser.fed_by)
    if more > 0.5 * riser.capacity:
        return None
    start = onset(draft)
    end = mended(draft, start, 0.2)
    now = _leak_column(draft, riser, riser.leak)
    draft.set("riser", at, c.V_LEAK, _leak_column(draft, riser, riser.leak + more), start, now, end)
    allow_demand(draft, riser, start, end or draft.length)
    return FaultPlan(condition="compressor-overduty", asset=unit.id, cause="leak", onset=start,
                     end=end, hard=False, grace=36 * HOUR)


def _short_cycling(draft: Draft) -> FaultPlan | None:
    index = _unit(draft)
    unit = draft.generators[index]
    every = draft.every(unit.id)
    duty = demand_of(draft, index) / delivery_at(unit)
    # Twice as many starts as a sound tank could ever call for with half the delivery drawn.
    share = duty * (1.0 - duty) / 0.75
    if share < 0.06 or share * refill_time(draft, unit) < 2.5 * every:
        return None
    share = min(share, 0.3)
    start = onset(draft)
    end = mended(draft, start, 0.4)
    cause = "waterlogged" if draft.dice.chance(0.5) else "switch band"
    if cause == "waterlogged":
        draft.slide("generator", index, c.G_VOLUME, unit.tank_volume, unit.tank_volume * share,
                    start - 0.5 * HOUR, 0.5 * HOUR)
        end = None
    else:
        band = (unit.cut_out - unit.cut_in) * share
        draft.set("generator", index, c.G_CUT_OUT, unit.cut_in + band, start, unit.cut_out, end)
        draft.set("generator", index, c.G_NOISE, min(0.1 * band, unit.switch_noise), start)
    draft.allow(unit.id, start, (end or draft.length) + 48 * HOUR, "compressor-weak", "tank-leak",
                "compressor-overduty", "compressor-not-starting", "leak-high", "air-fill-frequent",
                "air-fill-stuck")
    # Only with enough drawn at a time does it start often: by more than any sound tank could.
    most = 3600.0 / (4.0 * refill_time(draft, unit))
    return FaultPlan(condition="compressor-short-cycling", asset=unit.id, cause=cause, onset=start,
                     end=end, hard=False, grace=2 * HOUR, rule="starts", where=index,
                     count=math.ceil(max(1.8 * most, most + 2.5)))


def _not_starting(draft: Draft) -> FaultPlan | None:
    index = _unit(draft)
    if not _has(draft, index, "tank_pressure"):
        return None
    unit = draft.generators[index]
    start = onset(draft)
    end = mended(draft, start, 0.4)
    draft.set("generator", index, c.G_BLOCKED, 1.0, start, 0.0, end)
    last = (end or draft.length) + 24 * HOUR
    draft.allow("*", start, last, "pressure-low", "low-air-contact", "generator-trouble",
                "air-fill-frequent", "vent-stuck-closed", "oxygen-not-falling", "data-frozen")
    draft.allow(unit.id, start, last, "compressor-long-run", "air-fill-stuck")
    return FaultPlan(condition="compressor-not-starting", asset=unit.id, cause="overload tripped",
                     onset=start, end=end, hard=True, grace=2700.0, rule="tank-below", where=index,
                     level=unit.cut_in - 3.5)


def _weak(draft: Draft) -> FaultPlan | None:
    index = _unit(draft)
    unit = draft.generators[index]
    share = draft.dice.even(0.6, 0.75)
    every = draft.every(unit.id)
    if (not _has(draft, index, "tank_pressure") or refill_time(draft, unit) < 4.0 * every
            or demand_of(draft, index) / delivery_at(unit) > 0.8 * share):
        return None
    start = onset(draft, 0.45, 0.6)
    length = 0.0 if draft.dice.chance(0.4) else draft.dice.even(1, 5) * 86400.0
    if length:
        draft.slide("generator", index, c.G_FACTOR, 1.0, share, start, length)
    else:
        draft.set("generator", index, c.G_FACTOR, share, start)
    draft.allow(unit.id, start, draft.length * 2, "compressor-overduty", "compressor-long-run")
    cycles = refill_time(draft, unit) * delivery_at(unit) / demand_of(draft, index)
    return FaultPlan(condition="compressor-weak", asset=unit.id,
                     cause="wearing" if length else "valve broken", onset=start, end=None,
                     hard=False, grace=length + max(72 * HOUR, 16.0 * cycles))


def _tank_leak(draft: Draft) -> FaultPlan | None:
    index = _unit(draft)
    # A device that feeds all the time may draw as much: only gulps show that it is shut.
    if not _has(draft, index, "tank_pressure") or any(
            r.fed_by == index and r.regulator != "gulps" for r in draft.risers):
        return None
    unit = draft.generators[index]
    one = unit.tank_volume * 6894.757 / (8.3145 * 293.0)
    # 1.5 to 6 times what a technician would care for at all, 3 psi in an hour.
    lost = 3.0 * draft.dice.scale(1.5, 6.0) * one / 3600.0
    if lost + demand_of(draft, index) > 0.55 * delivery_at(unit):
        return None
    start = onset(draft)
    end = mended(draft, start, 0.2)
    full = unit.cut_out * 6894.757 + draft.ambient
    draft.set("generator", index, c.G_LEAK, lost / full, start, unit.leak / full, end)
    last = (end or draft.length) + 48 * HOUR
    draft.allow(unit.id, start, last, "compressor-overduty", "leak-high", "leak-growing",
                "compressor-short-cycling")
    return FaultPlan(condition="tank-leak", asset=unit.id, cause="drain weeps", onset=start,
                     end=end, hard=False, grace=96 * HOUR)


def _pressure_low(draft: Draft) -> FaultPlan | None:
    at = _riser(draft)
    if at is None or draft.risers[at].low < 3.0:
        return None
    riser = draft.risers[at]
    start = onset(draft)
    end = mended(draft, start, 0.5)
    fall = riser.setting - riser.low + 2.0
    hours = draft.dice.scale(1.0, 12.0)
    draft.set("riser", at, c.V_FEED, 0.0, start, 1.0, end)
    draft.set("riser", at, c.V_HOLE, fall * draft.one_psi(riser) / (hours * HOUR)
              / draft.drive(riser), start, 0.0, end)
    allow_demand(draft, riser, start, end or draft.length)
    return FaultPlan(condition="pressure-low", asset=riser.id, cause="supply valve shut",
                     onset=start, end=end, hard=True, grace=900.0 + 5.0 * draft.every(riser.id),
                     rule="pressure-below", where=at, level=riser.low - 1.2)


def _pressure_high(draft: Draft) -> FaultPlan | None:
    at = _riser(draft)
    if at is None:
        return None
    riser = draft.risers[at]
    unit = draft.generators[riser.fed_by]
    if riser.high + 4.0 > unit.cut_in or riser.relief_at < riser.high + 3.0:
        return None
    start = onset(draft)
    end = start + draft.dice.even(0.3, 0.5) * draft.length
    if draft.dice.chance(0.5):
        cause = "regulator stuck open"
        opening = max(0.05, min(1.0, 20.0 * riser.leak / riser.capacity))
        draft.set("riser", at, c.V_FORCED, opening, start, 0.0, end)
    else:
        cause = "set too high"
        draft.set("riser", at, c.V_SETTING, riser.high + riser.droop + riser.deadband + 2.5, start,
                  riser.setting, end)
    allow_demand(draft, riser, start, end)
    return FaultPlan(condition="pressure-high", asset=riser.id, cause=cause, onset=start, end=end,
                     hard=True, grace=900.0 + 5.0 * draft.every(riser.id), rule="pressure-above",
                     where=at, level=riser.high + 1.2)


def _falling_fast(draft: Draft) -> FaultPlan | None:
    at = _riser(draft)
    if at is None:
        return None
    riser = draft.risers[at]
    start = onset(draft)
    end = mended(draft, start, 0.6)
    # A head's orifice of 11 mm passes about 0.02 mol/s per kPa; a pipe of that size needs minutes.
    tau = max(draft.dice.scale(25.0, 200.0), 4.0 * draft.every(riser.id))
    hole = riser.volume / (8.3145 * (riser.pipe.mean + 273.15)) / tau
    draft.set("riser", at, c.V_HOLE, hole, start, 0.0, end)
    allow_demand(draft, riser, start, end or draft.length)
    return FaultPlan(condition="pressure-falling-fast", asset=riser.id, cause="open head",
                     onset=start, end=end, hard=True,
                     grace=300.0 + 5.0 * draft.every(riser.id) + tau)


def _measured_with(draft: Draft, riser: Riser) -> list[Riser] | None:
    """Return the risers measured together with this one; ``None`` where that is impossible.

    A vent that is open for days, or that is not read, passes for a leak.
    """
    fed = [r for r in draft.risers if r.fed_by == riser.fed_by]
    together = [riser] if riser.regulator == "gulps" else fed
    unread = any(r.vent is not None and not r.vent.has_contact for r in together)
    return None if draft.purge or unread else together


def _leak_high(draft: Draft) -> FaultPlan | None:
    at = _riser(draft)
    together = None if at is None else _measured_with(draft, draft.risers[at])
    if at is None or together is None:
        return None
    riser = draft.risers[at]
    unit = draft.generators[riser.fed_by]
    limit = sum(r.leak_limit for r in together)
    others = sum(r.leak for r in together) - riser.leak
    top = min(4.0, (0.35 * riser.capacity + others) / limit,
              (0.75 * delivery_at(unit) - demand_of(draft, riser.fed_by)) / limit)
    if top < 1.4:
        return None
    leak = limit * draft.dice.scale(1.3, top)
    # The limit that the riser was held to is the lower of two scalings; clear the higher one too.
    share = (riser.setting * 6894.757 + draft.ambient) / (40 * 6894.757 + draft.ambient)
    leak *= max(share, riser.setting / 40.0) / min(share, riser.setting / 40.0)
    leak -= others
    if leak > 0.5 * riser.capacity or leak > 0.75 * delivery_at(unit):
        return None
    start = onset(draft)
    end = mended(draft, start, 0.2)
    now, then = _leak_column(draft, riser, riser.leak), _leak_column(draft, riser, leak)
    length = 0.0 if draft.dice.chance(0.5) else draft.dice.even(2, 24) * HOUR
    if length:
        draft.slide("riser", at, c.V_LEAK, now, then, start, length)
        end = None
    else:
        draft.set("riser", at, c.V_LEAK, then, start, now, end)
    allow_demand(draft, riser, start, end or draft.length)
    asset = riser.id if len(together) == 1 else unit.id
    return FaultPlan(condition="leak-high", asset=asset, cause="leak", onset=start, end=end,
                     hard=False, grace=length + 72 * HOUR)


def _leak_growing(draft: Draft) -> FaultPlan | None:
    at = _riser(draft)
    together = None if at is None else _measured_with(draft, draft.risers[at])
    if at is None or together is None:
        return None
    riser = draft.risers[at]
    limit = sum(r.leak_limit for r in together)
    part = riser.leak / limit
    # A leak that is measured only with others has to grow as a sum.
    others = sum(r.leak for r in together) - riser.leak
    times = draft.dice.even(2.0, 4.0) * (1.0 + others / riser.leak) - others / riser.leak
    if part < 0.08 or part * times > 0.8 or times * riser.leak > 0.5 * riser.capacity:
        return None
    start = onset(draft, 0.2, 0.35)
    length = draft.dice.even(14, 42) * 86400.0
    now = _leak_column(draft, riser, riser.leak)
    draft.slide("riser", at, c.V_LEAK, now, times * now, start, length, doubling=True)
    draft.allow(riser.id, start, 2 * draft.length, "leak-growing")
    unit = draft.generators[riser.fed_by]
    draft.allow(unit.id, start, 2 * draft.length, "leak-growing", "compressor-overduty")
    asset = riser.id if len(together) == 1 else unit.id
    return FaultPlan(condition="leak-growing", asset=asset, cause="leak", onset=start, end=None,
                     hard=False, grace=0.7 * length + 7 * 86400.0)


GAS_FAULTS: Mapping[str, Callable[[Draft], FaultPlan | None]] = {
    "compressor-long-run": _long_run,
    "compressor-overduty": _overduty,
    "compressor-short-cycling": _short_cycling,
    "compressor-not-starting": _not_starting,
    "compressor-weak": _weak,
    "tank-leak": _tank_leak,
    "pressure-low": _pressure_low,
    "pressure-high": _pressure_high,
    "pressure-falling-fast": _falling_fast,
    "leak-high": _leak_high,
    "leak-growing": _leak_growing,
}
