"""Faults of recordings: their requirements, their effect, and the latest time to be raised."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from simulators.family.draft import HOUR, Draft, delivery_at, demand_of, mended, onset
from simulators.family.faults_gas import GAS_FAULTS
from simulators.family.faults_oxygen import OXYGEN_FAULTS
from simulators.family.specs import FaultPlan, Outage

__all__ = ["FAULTS", "plan_fault"]


def _contact(condition: str, kind: str, quantity: str) -> Callable[[Draft], FaultPlan | None]:
    """Return a fault in which a contact simply closes."""
    def draw(draft: Draft) -> FaultPlan | None:
        groups: dict[str, list[Any]] = {"generator": draft.generators, "riser": draft.risers,
                  "vent": [r.vent for r in draft.risers if r.vent is not None]}
        able = [x.id for x in groups[kind] if f"{x.id}.{quantity}" in draft.points]
        if not able:
            return None
        asset = able[draft.dice.whole(0, len(able) - 1)]
        start = onset(draft)
        end = mended(draft, start, 0.5)
        draft.force(f"{asset}.{quantity}", start, end or draft.length, "value", 1.0)
        if condition == "low-air-contact":
            draft.allow(asset, start, (end or draft.length) + HOUR, "contact-disagreement")
        return FaultPlan(condition=condition, asset=asset, cause="contact", onset=start, end=end,
                         hard=True, grace=600.0 + 3.0 * _every(draft, f"{asset}.{quantity}"))
    return draw


def _every(draft: Draft, point: str) -> float:
    return float(next(d.every for d in draft.devices if point in d.points))


def _power_lost(draft: Draft) -> FaultPlan | None:
    able = [u for u in draft.generators if f"{u.id}.power" in draft.points]
    if not able:
        return None
    start = onset(draft)
    end = min(start + draft.dice.scale(1, 20) * HOUR, draft.length)
    draft.power_off(start, end, silent=draft.dice.chance(0.5))
    return FaultPlan(condition="power-lost", asset=able[0].id, cause="mains", onset=start, end=end,
                     hard=True, grace=600.0 + 3.0 * _every(draft, f"{able[0].id}.power"))


def _contact_disagreement(draft: Draft) -> FaultPlan | None:
    legs = sorted(p for p in draft.points if p.endswith(("_no", "_nc")))
    if not legs:
        return None
    leg = legs[draft.dice.whole(0, len(legs) - 1)]
    asset = leg.split(".")[0]
    start = onset(draft)
    end = mended(draft, start, 0.3)
    # The leg that should be closed reads open: a broken wire.
    base = leg.removesuffix("_no").removesuffix("_nc")
    draft.force(f"{base}_nc", start, end or draft.length, "value", 0.0)
    return FaultPlan(condition="contact-disagreement", asset=asset, cause="broken wire",
                     onset=start, end=end, hard=True, grace=900.0 + 3.0 * _every(draft, leg))


def _room_oxygen_low(draft: Draft) -> FaultPlan | None:
    if not draft.rooms:
        return None
    room = draft.rooms[0].id
    start = onset(draft)
    end = start + draft.dice.even(1, 8) * HOUR
    # Below 19.5 % within ten minutes at the latest: the fall takes as long as the ramp.
    draft.force(f"{room}.oxygen", start, end, "ramp", -draft.dice.even(2.2, 4.5))
    return FaultPlan(condition="room-oxygen-low", asset=room, cause="release in the room",
                     onset=start, end=end, hard=True,
                     grace=900.0 + 3.0 * _every(draft, f"{room}.oxygen"))


def _low_temperature(draft: Draft) -> FaultPlan | None:
    able = [r for r in draft.risers if f"{r.id}.valve_room_temperature" in draft.points]
    if not able:
        return None
    riser = able[draft.dice.whole(0, len(able) - 1)]
    point = f"{riser.id}.valve_room_temperature"
    start = onset(draft)
    end = min(start + draft.dice.even(8, 40) * HOUR, draft.length + 4 * HOUR)
    draft.force(point, start, end, "slow-ramp", -(riser.valve_room.mean - draft.dice.even(-2, 1)))
    return FaultPlan(condition="low-temperature", asset=riser.id, cause="heater failed",
                     onset=start, end=end, hard=True, grace=3.0 * HOUR)


def _device_silent(draft: Draft) -> FaultPlan | None:
    device = draft.devices[draft.dice.whole(0, len(draft.devices) - 1)]
    start = onset(draft)
    end = mended(draft, start, 0.5)
    how = "absent" if draft.dice.chance(0.5) and len(draft.devices) > 1 else "empty"
    draft.outages.append(Outage(device=device.id, start=start, end=end or draft.length, how=how))
    for asset in device.watches:
        draft.allow(asset, start, (end or draft.length) + HOUR, "device-silent")
    return FaultPlan(condition="device-silent", asset=device.id, cause=how, onset=start, end=end,
                     hard=True, grace=1800.0 + 20.0 * device.every)


def _gauge_held(draft: Draft) -> FaultPlan | None:
    """Freeze one pressure gauge on a device that works.

    Of a riser only one that moves by itself: a coarse gauge at a steady regulator rests for weeks
    when it is sound.
    """
    able = sorted(
        p for p, gauge in draft.gauges.items() if p.endswith(".tank_pressure")
        or (p.endswith(".pressure") and gauge.noise >= 0.35 * gauge.step))
    if not able:
        return None
    point = able[draft.dice.whole(0, len(able) - 1)]
    device = next(d for d in draft.devices if point in d.points)
    start = onset(draft)
    end = mended(draft, start, 0.2)
    draft.force(point, start, end or draft.length, "hold")
    index = next((k for k, u in enumerate(draft.generators) if point.startswith(f"{u.id}.")), None)
    rule = "at-once" if index is None else "runs"
    return FaultPlan(condition="data-frozen", asset=device.id, cause=f"gauge holds: {point}",
                     onset=start, end=end, hard=False, grace=24 * HOUR, rule=rule,
                     where=index or 0, count=6)


def _data_frozen(draft: Draft) -> FaultPlan | None:
    able = [d for d in draft.devices if any(p.endswith("tank_pressure") for p in d.points)]
    if len(draft.devices) < 2 or not able:
        return None
    if draft.dice.chance(0.5):
        return _gauge_held(draft)
    device = able[draft.dice.whole(0, len(able) - 1)]
    start = onset(draft)
    end = mended(draft, start, 0.2)
    last = end or draft.length
    draft.outages.append(Outage(device=device.id, start=start, end=last, how="frozen"))
    for asset in device.watches:
        draft.allow(asset, start, last + 24 * HOUR, "oxygen-sensor-suspect", "compressor-long-run",
                    "compressor-not-starting", "data-frozen", "air-fill-stuck",
                    "compressor-overduty", "vent-stuck-open", "vent-stuck-closed",
                    "oxygen-not-falling", "leak-high")
    return FaultPlan(condition="data-frozen", asset=device.id, cause="gateway serves an old copy",
                     onset=start, end=end, hard=False, grace=72 * HOUR)


def _service_due(draft: Draft) -> FaultPlan | None:
    index = draft.dice.whole(0, len(draft.generators) - 1)
    unit = draft.generators[index]
    if f"{unit.id}.running_hours" not in draft.points:
        return None
    runs = draft.days * 24.0 * demand_of(draft, index) / delivery_at(unit)
    due = unit.hours + draft.dice.even(0.1, 0.4) * runs
    if round(due) < unit.hours:
        return None
    due = float(round(due))
    draft.generators[index] = replace(unit, service_hours=due)
    return FaultPlan(condition="service-due", asset=unit.id, cause="hours", onset=draft.length,
                     end=None, hard=False, grace=6 * HOUR, rule="hours", where=index,
                     level=due)


FAULTS: Mapping[str, Callable[[Draft], FaultPlan | None]] = {
    **GAS_FAULTS,
    **OXYGEN_FAULTS,
    "water-at-vent": _contact("water-at-vent", "vent", "water"),
    "low-air-contact": _contact("low-air-contact", "riser", "low_air"),
    "generator-trouble": _contact("generator-trouble", "generator", "trouble"),
    "power-lost": _power_lost,
    "contact-disagreement": _contact_disagreement,
    "room-oxygen-low": _room_oxygen_low,
    "low-temperature": _low_temperature,
    "device-silent": _device_silent,
    "data-frozen": _data_frozen,
    "service-due": _service_due,
}
"""By the id of the condition; each draws itself onto a plant, or gives ``None`` where it cannot."""


def plan_fault(draft: Draft, condition: str) -> FaultPlan | None:
    """Draw a fault onto a plant; ``None`` where that plant cannot show it.

    Raises ``ValueError`` for a condition that no recording can show.
    """
    if condition not in FAULTS:
        raise ValueError(f"no fault is drawn for {condition!r}; known: {', '.join(sorted(FAULTS))}")
    return FAULTS[condition](draft)


