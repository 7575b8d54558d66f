"""The numbers of generators, risers and vents, sized as a designer would: the pipe first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from simulators.family.chance import Chance
from simulators.family.specs import GALLON, PSI, Generator, R, Riser, Vent, Weather

__all__ = ["draw_generator", "draw_riser", "draw_vent", "fit_generator", "target_for"]

_TANKS = (30.0, 60.0, 80.0, 120.0, 200.0, 240.0)
_KELVIN = 288.71


def pipe_weather(place: str, dice: Chance) -> Weather:
    """Return the course of the pipe's temperature at its place."""
    if place == "freezer":
        return Weather(mean=dice.even(-27, -22), daily=0.2, defrost=dice.even(0.5, 2.5),
                       defrost_every=dice.whole(4, 12) * 3600.0, front=0.1, lag=2400)
    if place == "cold-store":
        return Weather(mean=dice.even(1, 6), daily=dice.even(0.2, 1.0), front=0.3,
                       defrost=dice.even(0.0, 1.5), lag=2400)
    if place == "attic":
        return Weather(mean=dice.even(12, 24), daily=dice.even(4, 8), sun=dice.even(8, 16),
                       front=dice.even(1.5, 3.5), lag=1500)
    if place == "heated":
        return Weather(mean=dice.even(17, 22), daily=dice.even(0.3, 1.5), front=0.3, lag=3600)
    return Weather(mean=dice.even(3, 16), daily=dice.even(2.5, 6), sun=dice.even(0, 3),
                   front=dice.even(2, 4), lag=3600)


def leak_limit(volume: float, gauge: float, kelvin: float, ambient: float) -> float:
    """Return the in-service limit in mol/s: 3 psi in 2 h at 40 psi (NFPA 25).

    Less at a lower pressure: through the same hole by absolute pressure or by gauge pressure,
    whichever gives less.
    """
    share = min((gauge * PSI + ambient) / (40.0 * PSI + ambient), gauge / 40.0)
    return 1.5 * PSI * share * volume / (R * kelvin * 3600.0)


def draw_riser(name: str, fed_by: int, structure: Mapping[str, str], place: str, pressure: float,
               ambient: float, dice: Chance) -> Riser:
    """Return a riser without its vent."""
    volume = round(dice.scale(120, 1500)) * GALLON
    setting = max(round(pressure + dice.even(-1.5, 1.5), 0), 7.0)
    pipe = pipe_weather(place, dice)
    kelvin = pipe.mean + 273.15
    kind = structure["regulator"]
    droop = dice.even(2.0, 4.0) if kind == "sluggish" else dice.even(0.8, 3.0)
    droop = min(droop, 0.3 * setting)
    deadband = min(dice.scale(0.5, 3.0), 0.25 * setting) if kind == "gulps" else 0.0
    creep_top = dice.even(0.5, 2.0)
    limit = leak_limit(volume, setting, kelvin, ambient)
    leak = limit * dice.scale(0.02, 0.35)
    # One psi of this pipe, in mol: a device's flow is known by how fast it moves the pressure.
    one = PSI * volume / (R * kelvin)
    lag = dice.scale(60, 600)
    capacity = dice.scale(1.5, 12.0) * 0.0200
    if kind == "sluggish":
        capacity = min(capacity, 4.0 * droop * one / lag)
    capacity = max(min(capacity, droop * one / 8.0), 12.0 * leak)
    creeping = kind == "creeping"
    creep = leak * dice.even(1.05, 1.6) if creeping else 0.0
    relieved = creeping and dice.chance(0.4)
    below = (deadband if kind == "gulps" else 0.6 * droop) + dice.even(1.5, 3.0)
    low = max(round(2.0 * (setting - below - min(1.5, 0.15 * setting))) / 2.0, 0.3 * setting)
    absolute = setting + ambient / PSI
    warm = absolute * pipe.swing / kelvin
    over = creep_top + 1.5 if creeping else 0.5
    high = round(2.0 * (setting + warm + over + dice.even(2.0, 5.0))) / 2.0
    count = dice.whole(3, 6)
    weights = [dice.even(0.5, 1.5) for _ in range(count)]
    dead = [dice.even(0.03, 0.25) for _ in range(count)]
    whole = sum(weights)
    return Riser(
        id=name, fed_by=fed_by, volume=volume, place=place, pipe=pipe,
        valve_room=Weather(mean=dice.even(12, 20), daily=dice.even(0.3, 2.0), front=0.5, lag=3600),
        setting=setting, low=round(low, 1), high=high, regulator=kind, droop=droop,
        deadband=deadband, lag=lag, capacity=capacity, creep=creep, creep_top=creep_top,
        relief_at=setting + creep_top * 0.8 if relieved else 1e3, leak=leak, leak_limit=limit,
        leak_law="choked" if dice.chance(0.6) else "linear",
        cells=tuple(w / whole * (1.0 - d) for w, d in zip(weights, dead, strict=True)),
        legs=tuple(w / whole * d for w, d in zip(weights, dead, strict=True)),
        leg_time=dice.scale(4, 40) * 3600.0, vent=None)


def target_for(oxygen: float, dice: Chance) -> float:
    """Return a target that this product can reach, with room to spare."""
    if oxygen <= 0.011:
        return 0.02 if dice.chance(0.8) else 0.03
    return 0.03 if oxygen <= 0.019 else 0.05


def draw_vent(riser: Riser, kind: str, chamber: str, target: float, ambient: float,
              dice: Chance) -> Vent:
    """Return the purge vent of a riser; its flow may be reduced once the generator is known."""
    held = (riser.setting * PSI + ambient) * riser.volume / (R * (riser.pipe.mean + 273.15))
    hours = dice.chance(0.5)
    period = 86400.0 if hours else 3600.0
    opened = dice.whole(2, 8) * 3600.0 if hours else dice.whole(6, 30) * 60.0
    share = opened / period if kind == "timer" else 1.0
    flow = max(held / (dice.scale(1.0, 6.0) * 86400.0) / share, 0.0002)
    room_air = chamber == "room-air"
    return Vent(
        id=f"{riser.id}-vent", kind=kind, flow=flow, target=target, band=dice.even(0.002, 0.008),
        sample_every=0.0 if room_air else dice.whole(4, 24) * 3600.0,
        sample_for=dice.whole(4, 12) * 60.0, timer_period=period, timer_open=opened,
        timer_phase=dice.even(0, period), flush=dice.scale(15, 90),
        room_air=dice.scale(15, 150) * 3600.0 if room_air else 0.0, lag=dice.even(15, 90),
        offset=dice.normal(0.0008),
        has_oxygen=kind == "oxygen" or dice.chance(0.75 if kind == "timer" else 0.5),
        has_contact=kind != "orifice" and dice.chance(0.93), has_water=dice.chance(0.3),
        listed_flow=kind != "orifice" or dice.chance(0.5))


def draw_generator(name: str, structure: Mapping[str, str], risers: list[Riser], ambient: float,
                   dice: Chance) -> Generator:
    """Return a generator that can fill and keep its risers."""
    cut_in = float(dice.whole(60, 95))
    cut_out = min(cut_in + dice.whole(18, 32), 125.0)
    ratio = dice.even(3.0, 5.0)
    pressure_loss = dice.even(0.08, 0.3)
    largest = max(r.setting * PSI * r.volume / (R * _KELVIN) for r in risers)
    one = PSI / (R * _KELVIN)
    pump_up = dice.scale(160, 560)
    # The tanks whose compressor fills the largest pipe in 8 to 90 minutes, or the nearest to that.
    minutes = {g: largest * pump_up / (g * GALLON * one * (cut_out - cut_in) * ratio) / 60.0
               for g in _TANKS}
    fitting = [g for g in _TANKS if 8.0 <= minutes[g] <= 90.0] or [
        _TANKS[0] if minutes[_TANKS[0]] < 8.0 else _TANKS[-1]]
    volume = fitting[dice.whole(0, len(fitting) - 1)] * GALLON
    refill = volume * one * (cut_out - cut_in)
    delivery = refill / pump_up / (1.0 - pressure_loss * 0.85)
    fallback = None if structure["air_fill"] == "none" else cut_in - float(dice.whole(5, 8))
    oxygen = dice.even(0.005, 0.025) if dice.chance(0.4) else dice.even(0.005, 0.011)
    kept = structure["product_start"] == "kept"
    return Generator(
        id=name, tank_volume=volume, cut_in=cut_in, cut_out=cut_out,
        switch_offset=dice.normal(0.5), switch_noise=dice.even(0.05, 0.4), air_fill_below=fallback,
        air_fill_return=cut_in + dice.even(2.0, 8.0), relief=cut_out + dice.even(12, 25),
        delivery=delivery, pressure_loss=pressure_loss, heat_loss=dice.even(0.002, 0.008),
        age_loss=dice.even(0.0002, 0.0012), air_ratio=ratio, warm_by=dice.even(2, 12),
        warm_time=dice.even(5, 20) * 60.0,
        leak=refill / (cut_out - cut_in) * dice.scale(0.005, 0.3) / 3600.0, oxygen=oxygen,
        oxygen_heat=dice.even(0.0, 0.02),
        start_oxygen=dice.even(0.05, 0.2) if kept else oxygen,
        start_time=dice.even(4, 12) if kept else 0.0, seen_oxygen=dice.even(0.05, AIR_SEEN),
        seen_time=dice.even(2, 10) * 60.0 / 4.0, analyser=structure["analyser"],
        analyser_lag=dice.even(30, 180) / 2.3, mode=structure["mode"],
        listed_delivery=dice.chance(0.6), hours=dice.even(300, 9000),
        starts=dice.whole(2000, 60000),
        room=Weather(mean=dice.even(14, 26), daily=dice.even(0.5, 4.0), front=dice.even(0.3, 1.5),
                     lag=1800))


AIR_SEEN = 0.2095
"""Most oxygen that a sample line holds after a rest."""


def fit_generator(unit: Generator, risers: list[Riser], dice: Chance) -> tuple[
        Generator, list[Riser]]:
    """Return the generator and its risers, with vent flows that let the compressor rest."""
    delivery = unit.delivery * (1.0 - unit.pressure_loss * 0.9) * 0.95
    lost = unit.leak + sum(r.leak * 1.1 + r.creep for r in risers)
    if lost > 0.18 * delivery:  # the designer takes the larger compressor
        unit = replace(unit, delivery=unit.delivery * lost / (0.18 * delivery))
        refill = unit.tank_volume * PSI / (R * _KELVIN) * (unit.cut_out - unit.cut_in)
        larger = [g * GALLON for g in _TANKS if refill / unit.tank_volume * g * GALLON
                  >= 150.0 * unit.delivery * 0.8] or [_TANKS[-1] * GALLON]
        unit = replace(unit, tank_volume=max(larger[0], unit.tank_volume))
        delivery = unit.delivery * (1.0 - unit.pressure_loss * 0.9) * 0.95
    spare = min(0.42 * delivery - lost, 0.34 * delivery)
    wanted = sum(r.vent.flow for r in risers if r.vent)
    cut = min(1.0, spare / wanted) if wanted else 1.0
    fitted = []
    swallow = PSI / (R * _KELVIN) * unit.tank_volume * 5.0
    for riser in risers:
        vent = riser.vent
        capacity = riser.capacity
        if vent is not None:
            vent = replace(vent, flow=vent.flow * cut)
            capacity = max(capacity, 4.0 * (vent.flow + riser.leak))
        gulp = riser.deadband * PSI * riser.volume / (R * (riser.pipe.mean + 273.15))
        if gulp > 0.6 * swallow:  # or each gulp would drag the tank down to its fallback
            capacity = min(capacity, max(delivery * dice.even(0.75, 1.0),
                                         3.0 * (riser.leak + (vent.flow if vent else 0.0))))
        fitted.append(replace(riser, vent=vent, capacity=capacity))
    return unit, fitted
