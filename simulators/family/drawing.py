"""Drawing a plant: structure first, then equipment, gauges, devices, disturbances and a fault."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace

from simulators.family.chance import Chance
from simulators.family.disturbances import disturb
from simulators.family.draft import Draft
from simulators.family.equipment import (
    draw_generator,
    draw_riser,
    draw_vent,
    fit_generator,
    target_for,
)
from simulators.family.faults import plan_fault
from simulators.family.gauging import draw_gauges
from simulators.family.site import profile_text, site_tables
from simulators.family.specs import (
    Device,
    DrawnPlant,
    Generator,
    Riser,
    Room,
    atmosphere,
)

__all__ = ["STRUCTURE", "draw"]

STRUCTURE: Mapping[str, Mapping[str, float]] = {
    "regulator": {"proportional": 3, "gulps": 3, "sluggish": 2, "creeping": 1.5},
    "vent": {"oxygen": 4, "timer": 2, "orifice": 2, "none": 1},
    "chamber": {"room-air": 1, "sealed": 1},
    "mode": {"always": 4, "off-at-rest": 4, "none": 1},
    "air_fill": {"below": 4, "none": 1},
    "analyser": {"always": 2, "zero": 2, "hold": 2, "nan": 1.5, "none": 2},
    "product_start": {"kept": 1, "vented": 1},
    "counters": {"both": 3, "hours": 1, "none": 1.5},
    "power": {"contact": 1, "none": 3},
    "contacts": {"form-c": 1, "single": 3, "none": 1},
    "temperature_sensor": {"all": 2, "some": 1.5, "none": 2},
    "pressure_sensor": {"all": 20, "contacts-only": 1},
    "place": {"freezer": 1, "cold-store": 1, "attic": 1, "heated": 1, "unheated": 1},
    "risers": {"1": 22, "2": 20, "3": 20, "4": 13, "5": 10, "6": 7, "7": 5, "8": 3},
    "generators": {"1": 5, "2": 1},
    "poll": {"1": 0.4, "2": 1.2, "5": 9, "10": 22, "15": 31, "30": 22, "60": 14},
    "devices": {"one": 1, "split": 1.5, "per-riser": 1.5},
    "gauge": {"0.1": 4.5, "0.2": 2.5, "0.5": 2, "1": 1},
    "start": {"settled": 2.5, "purge": 1},
}
"""What is drawn by choice, with weights."""

_ATTEMPTS = 3000

_ZONES = (("Europe/London", 12.0), ("America/Chicago", 18.0), ("America/Denver", 19.0),
          ("Europe/Berlin", 11.2), ("Asia/Tokyo", 3.0), ("Australia/Sydney", 2.0))


def draw(seed: int, *, days: float, fault: str | None = None,
         start: str | None = None) -> DrawnPlant:
    """Draw a plant. ``start`` is ``settled``, ``purge`` or ``None``, which draws one of the two.

    With a ``fault`` (the id of a condition), plants are drawn until one can show it. Raises
    ``ValueError`` for an unknown fault or start, or one that no plant tried can show.
    """
    if start not in (None, "settled", "purge"):
        raise ValueError(f"start is settled, purge or None, not {start!r}")
    if days <= 0.0:
        raise ValueError(f"days must be above 0, not {days:g}")
    for attempt in range(_ATTEMPTS):
        plant = _attempt(seed, attempt, days, fault, start)
        if plant is not None:
            return plant
    raise ValueError(f"no plant of seed {seed} can show {fault} with start {start}")


def _structure(dice: Chance, days: float, start: str | None) -> dict[str, str]:
    # A second's poll over weeks is an unrealistic recording.
    drawn = {}
    for key, weights in STRUCTURE.items():
        if key == "poll" and days > 10.0:
            weights = {k: w for k, w in weights.items() if int(k) >= 5}
        drawn[key] = dice.one(weights)
    if drawn["risers"] == "1":
        drawn["generators"] = "1"
    if start is not None:
        drawn["start"] = start
    if drawn["vent"] == "none":
        drawn["start"] = "settled" if start is None else start
    if drawn["pressure_sensor"] == "contacts-only" and drawn["contacts"] == "none":
        drawn["contacts"] = "single"
    return drawn


def _attempt(seed: int, attempt: int, days: float, fault: str | None,
             start: str | None) -> DrawnPlant | None:
    dice = Chance(seed, "structure", str(attempt))
    structure = _structure(dice, days, start)
    altitude = round(dice.even(0, 300) if dice.chance(0.7) else dice.even(300, 2000))
    ambient = atmosphere(altitude)
    generators, risers = _equipment(structure, ambient, Chance(seed, "equipment", str(attempt)))
    rooms = [Room(id="plant-room", generator=0)] if dice.chance(0.5) else []
    devices = _devices(structure, generators, risers, rooms, Chance(seed, "devices", str(attempt)),
                       days)
    points = frozenset(p for d in devices for p in d.points)
    gauges = draw_gauges(structure, sorted(points), Chance(seed, "gauges", str(attempt)))
    zone, noon = _ZONES[dice.whole(0, len(_ZONES) - 1)]
    begin = dt.datetime(2025, 1, 1, tzinfo=dt.UTC) + dt.timedelta(
        days=dice.whole(0, 364), hours=dice.whole(0, 23))
    instant = round(begin.timestamp() * 1000)
    standard = (15.5556, 15.0, 20.0, 21.1111)[dice.whole(0, 3)]
    draft = Draft(days=days, purge=structure["start"] == "purge", ambient=ambient,
                  structure=structure, generators=generators, risers=risers, rooms=rooms,
                  devices=devices, points=points, gauges=gauges,
                  dice=Chance(seed, "events", str(attempt)))
    disturb(draft, clock=begin.hour * 3600.0, healthy=fault is None)
    plan = None
    if fault is not None:
        plan = plan_fault(draft, fault)
        if plan is None:
            return None
    limits = [max(0.02, round(200.0 * (u.oxygen + 0.01)) / 200.0) for u in generators]
    name = f"plant-{seed}"
    kinds = _kinds(draft)
    return DrawnPlant(
        seed=seed, days=days, fault=fault, start=instant, purge=draft.purge, altitude=altitude,
        timezone=zone, noon=noon * 3600.0, standard_temperature=standard, structure=structure,
        generators=tuple(draft.generators), risers=tuple(risers), rooms=tuple(rooms),
        gauges=gauges, devices=devices, dropped=dice.scale(2e-4, 5e-3),
        doubled=dice.scale(1e-5, 1e-3), late=dice.scale(1e-5, 3e-3),
        happenings=draft.happenings(), plan=plan,
        site=site_tables(name=name, start=instant, altitude=altitude, timezone=zone,
                         standard_temperature=standard, generators=draft.generators, risers=risers,
                         rooms=rooms, devices=devices, oxygen_limits=limits),
        profiles={f"{d.id}.toml": profile_text(d, kinds) for d in devices})


def _kinds(draft: Draft) -> dict[str, str]:
    kinds = {u.id: "generator" for u in draft.generators} | {r.id: "riser" for r in draft.risers}
    kinds |= {r.vent.id: "vent" for r in draft.risers if r.vent is not None}
    return kinds | {r.id: "room" for r in draft.rooms}


def _equipment(structure: Mapping[str, str], ambient: float,
               dice: Chance) -> tuple[list[Generator], list[Riser]]:
    count, units = int(structure["risers"]), int(structure["generators"])
    pressure = dice.even(7, 15) if dice.chance(0.25) else dice.even(18, 45)
    risers = []
    for k in range(count):
        place = structure["place"]
        if k and dice.chance(0.35):
            place = dice.one(STRUCTURE["place"])
        risers.append(draw_riser(f"r{k + 1}", k * units // count, structure, place, pressure,
                                 ambient, dice))
    generators: list[Generator] = []
    fitted: list[Riser] = []
    for k in range(units):
        fed = [r for r in risers if r.fed_by == k]
        unit = draw_generator(f"gen{k + 1}", structure, fed, ambient, dice)
        target = target_for(unit.oxygen, dice)
        kind = structure["vent"]
        if kind != "none":
            fed = [replace(r, vent=draw_vent(r, kind, structure["chamber"], target, ambient, dice))
                   for r in fed]
        unit, fed = fit_generator(unit, fed, dice)
        generators.append(unit)
        fitted += fed
    return generators, fitted


def _devices(structure: Mapping[str, str], generators: list[Generator], risers: list[Riser],
             rooms: list[Room], dice: Chance, days: float) -> tuple[Device, ...]:
    points = _points(structure, generators, risers, rooms, dice)
    groups: list[tuple[str, list[str]]] = []
    for k, unit in enumerate(generators):
        things = [unit.id] + ([r.id for r in rooms] if k == 0 else [])
        groups.append((f"{unit.id}-controller", things))
    for riser in risers:
        things = [riser.id] + ([riser.vent.id] if riser.vent else [])
        if structure["devices"] == "one":
            groups[riser.fed_by][1].extend(things)
        elif structure["devices"] == "split":
            name = f"inputs-{riser.fed_by + 1}"
            if groups[-1][0] != name and name not in [g[0] for g in groups]:
                groups.append((name, []))
            next(g for g in groups if g[0] == name)[1].extend(things)
        else:
            groups.append((f"{riser.id}-inputs", things))
    same = dice.chance(0.6)
    polls = {k: w for k, w in STRUCTURE["poll"].items() if int(k) >= (5 if days > 10.0 else 1)}
    devices: list[Device] = []
    for name, things in groups:
        every = int(structure["poll"]) if same or not devices else int(dice.one(polls))
        heard = tuple(thing for thing in things if points.get(thing))
        if heard:
            devices.append(Device(
                id=name, every=every, phase=dice.whole(0, max(every // 5 - 1, 0)) * 5,
                watches=heard, points=tuple(p for thing in heard for p in points[thing])))
    return tuple(devices)


def _contact(structure: Mapping[str, str], point: str, *, legs: bool = False) -> list[str]:
    if structure["contacts"] == "none":
        return []
    return [point, f"{point}_no", f"{point}_nc"] if legs and structure["contacts"] == "form-c" \
        else [point]


def _points(structure: Mapping[str, str], generators: list[Generator], risers: list[Riser],
            rooms: list[Room], dice: Chance) -> dict[str, list[str]]:
    gauged = structure["pressure_sensor"] == "all"
    out: dict[str, list[str]] = {}
    for unit in generators:
        mine = ["tank_pressure"] if gauged else []
        mine.append("compressor_running")
        mine += ["mode"] if structure["mode"] != "none" else []
        mine += ["product_oxygen"] if structure["analyser"] != "none" else []
        mine += ["running_hours"] if structure["counters"] != "none" else []
        mine += ["start_count"] if structure["counters"] == "both" else []
        mine += ["dew_point"] if dice.chance(0.25) else []
        mine += ["cabinet_temperature"] if dice.chance(0.35) else []
        mine += ["power"] if structure["power"] == "contact" else []
        out[unit.id] = [f"{unit.id}.{q}" for q in mine]
        out[unit.id] += _contact(structure, f"{unit.id}.trouble", legs=True)
    sensed = structure["temperature_sensor"]
    rooms_read, low, high = dice.chance(0.7), dice.chance(0.75), dice.chance(0.35)
    for riser in risers:
        mine = ["pressure"] if gauged else []
        mine += ["pipe_temperature"] if sensed == "all" or (
            sensed == "some" and dice.chance(0.5)) else []
        mine += ["valve_room_temperature"] if rooms_read else []
        out[riser.id] = [f"{riser.id}.{q}" for q in mine]
        if low or not gauged:
            out[riser.id] += _contact(structure, f"{riser.id}.low_air", legs=True)
        if high:
            out[riser.id] += _contact(structure, f"{riser.id}.high_air")
        if dice.chance(0.1):
            out[riser.id] += _contact(structure, f"{riser.id}.bypass_open")
        vent = riser.vent
        if vent is not None:
            out[vent.id] = [f"{vent.id}.{q}" for q, there in (
                ("oxygen", vent.has_oxygen), ("open", vent.has_contact),
                ("water", vent.has_water and structure["contacts"] != "none")) if there]
    for room in rooms:
        out[room.id] = [f"{room.id}.oxygen", f"{room.id}.temperature"]
    return out
