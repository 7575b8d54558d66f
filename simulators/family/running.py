"""Simulation of a drawn plant: temperatures, inputs of the loop, first state, history."""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd

import numpy as np

from simulators.family import columns as c
from simulators.family import stepping
from simulators.family.chance import Chance
from simulators.family.draft import driving
from simulators.family.specs import AIR, PSI, DrawnPlant, Generator, R, Riser, Weather, atmosphere
from simulators.family.stepping import Floats


def _lagged(values: Floats, share: float) -> Floats:
    """Return ``values`` with a first-order lag: each step takes up ``share`` of the difference."""
    out = np.empty_like(values)
    held = values[0]
    for k, value in enumerate(values.tolist()):
        held += (value - held) * share
        out[k] = held
    return out


def temperatures(weather: Weather, minutes: int, clock: float, noon: float,
                 rng: np.random.Generator) -> Floats:
    """Return degrees C each minute. ``clock`` is the second of the UTC day at the start."""
    seconds = clock + 60.0 * np.arange(minutes)
    turn = 2.0 * np.pi * (seconds - noon) / 86400.0
    out = weather.mean + weather.daily * np.cos(turn - 2.0 * np.pi * 3.0 / 24.0)
    # Clouds: one number a day, so that no two days are alike. Fronts come and go over two days.
    days = int(seconds[-1] // 86400) + 3
    clear = rng.uniform(0.1, 1.0, days)[((seconds - noon + 43200) // 86400 + 1).astype(int)]
    out += weather.sun * clear * np.maximum(np.cos(turn), 0.0) ** 1.5
    hours = days * 24
    front = np.empty(hours)
    at, keep = float(rng.normal()), np.exp(-1.0 / 40.0)
    for k, kick in enumerate(rng.normal(0.0, 1.0, hours).tolist()):
        at = at * keep + kick * float(np.sqrt(1.0 - keep * keep))
        front[k] = np.clip(at, -2.0, 2.0)
    out += weather.front * np.interp(seconds - seconds[0], 3600.0 * np.arange(hours), front)
    if weather.defrost:
        phase = (seconds + rng.uniform(0.0, weather.defrost_every)) % weather.defrost_every
        out += weather.defrost * (phase < 1500.0)
    return _lagged(out, min(60.0 / weather.lag, 1.0)) if weather.lag > 60.0 else out


__all__ = ["History", "run"]

_KINDS = {"proportional": 0.0, "gulps": 1.0, "sluggish": 2.0, "creeping": 3.0}
_VENTS = {"oxygen": 1.0, "timer": 2.0, "orifice": 3.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """A simulated plant's history.

    ``grid`` is the spacing (s) of the records; totals are each minute.
    """

    grid: int
    generators: Floats
    risers: Floats
    generator_totals: Floats
    riser_totals: Floats
    rooms: Floats
    """K, each minute, as ``pipes`` and ``valve_rooms``."""
    pipes: Floats
    valve_rooms: Floats


def _generator_row(unit: Generator, ambient: float) -> Floats:
    g = np.zeros(c.G_WIDTH)
    full = unit.cut_out * PSI + ambient
    for column, value in (
        (c.G_VOLUME, unit.tank_volume), (c.G_CUT_IN, unit.cut_in), (c.G_CUT_OUT, unit.cut_out),
        (c.G_OFFSET, unit.switch_offset), (c.G_NOISE, unit.switch_noise),
        (c.G_AIR_BELOW, unit.air_fill_below or -1.0), (c.G_AIR_RETURN, unit.air_fill_return),
        (c.G_RELIEF, unit.relief), (c.G_DELIVERY, unit.delivery),
        (c.G_LOSS_P, unit.pressure_loss), (c.G_LOSS_T, unit.heat_loss),
        (c.G_AGE, unit.age_loss / 86400.0), (c.G_AIR_RATIO, unit.air_ratio),
        (c.G_WARM_BY, unit.warm_by), (c.G_WARM_TIME, unit.warm_time),
        (c.G_LEAK, unit.leak / full), (c.G_OXYGEN, unit.oxygen),
        (c.G_OXYGEN_T, unit.oxygen_heat), (c.G_START_OXYGEN, unit.start_oxygen),
        (c.G_START_TIME, unit.start_time), (c.G_SEEN_OXYGEN, unit.seen_oxygen),
        (c.G_SEEN_TIME, unit.seen_time), (c.G_ANALYSER_LAG, unit.analyser_lag), (c.G_POWER, 1.0),
        (c.G_FACTOR, 1.0), (c.G_REF, unit.cut_out),
    ):
        g[column] = value
    return g


def _riser_row(riser: Riser, ambient: float) -> Floats:
    v = np.zeros(c.V_WIDTH)
    held = riser.setting * PSI + ambient
    drive = driving(held, ambient)
    linear = riser.leak_law == "linear"
    for column, value in (
        (c.V_GEN, riser.fed_by), (c.V_VOLUME, riser.volume), (c.V_SETTING, riser.setting),
        (c.V_KIND, _KINDS[riser.regulator]), (c.V_DROOP, riser.droop),
        (c.V_DEADBAND, riser.deadband), (c.V_LAG, riser.lag), (c.V_CAPACITY, riser.capacity),
        (c.V_CREEP, riser.creep), (c.V_CREEP_TOP, riser.creep_top),
        (c.V_RELIEF_AT, riser.relief_at),
        (c.V_LEAK, riser.leak / ((held - ambient) if linear else drive)), (c.V_LINEAR, linear),
        (c.V_CELLS, len(riser.cells)), (c.V_LEG_TIME, riser.leg_time), (c.V_STUCK, -1.0),
        (c.V_CLEAR, 1.0), (c.V_FEED, 1.0), (c.V_POWER, 1.0), (c.V_FLUSH, 1.0),
        (c.V_SENSOR_LAG, 1.0), (c.V_PERIOD, 1.0),
    ):
        v[column] = value
    vent = riser.vent
    if vent is not None:
        for column, value in (
            (c.V_VENT, _VENTS[vent.kind]), (c.V_VENT_K, vent.flow / drive),
            (c.V_TARGET, vent.target), (c.V_BAND, vent.band),
            (c.V_SAMPLE_EVERY, vent.sample_every), (c.V_SAMPLE_FOR, vent.sample_for),
            (c.V_PERIOD, vent.timer_period), (c.V_OPEN, vent.timer_open),
            (c.V_PHASE, vent.timer_phase), (c.V_FLUSH, vent.flush), (c.V_ROOM_AIR, vent.room_air),
            (c.V_SENSOR_LAG, vent.lag), (c.V_OFFSET, vent.offset),
        ):
            v[column] = value
    return v


def _first_states(plant: DrawnPlant, ambient: float, rooms: Floats, pipes: Floats,
                  ) -> tuple[Floats, Floats, Floats, Floats]:
    dice = Chance(plant.seed, "first")
    gs = np.zeros((len(plant.generators), stepping.GEN_STATE))
    for k, unit in enumerate(plant.generators):
        pressure = dice.even(unit.cut_in + 2.0, unit.cut_out - 2.0) * PSI + ambient
        gs[k, 2] = rooms[0, k]
        gs[k, 0] = pressure * unit.tank_volume / (R * gs[k, 2])
        gs[k, 1] = gs[k, 0] * (unit.oxygen + 0.001)
        gs[k, 6], gs[k, 7], gs[k, 8] = 600.0, unit.hours, unit.starts
        gs[k, 9], gs[k, 12] = unit.oxygen, float(dice.whole(0, 4095))
    vs = np.zeros((len(plant.risers), stepping.RIS_STATE))
    oxygen, legs = np.zeros((len(plant.risers), 6)), np.zeros((len(plant.risers), 6))
    for k, riser in enumerate(plant.risers):
        n = ((riser.setting - dice.even(0.1, 0.4) * (riser.droop + riser.deadband)) * PSI
             + ambient) * riser.volume / (R * pipes[0, k])
        vent = riser.vent
        feed = plant.generators[riser.fed_by].oxygen
        # A settled pipe with a vent lies at its target; one without has what its feed had.
        if plant.purge:
            begin = AIR
        elif vent is not None and vent.kind == "oxygen":
            begin = max(vent.target - dice.even(0.0, 0.004), feed + 0.001)
        else:
            begin = feed + dice.even(0.0005, 0.003)
        count = len(riser.cells)
        oxygen[k, :count] = n * np.array(riser.cells) * begin
        legs[k, :count] = n * np.array(riser.legs) * begin
        if not plant.purge:  # dead legs lag
            oxygen[k, :count] *= 0.985
        vs[k, 0] = n
        vs[k, 3] = dice.even(0.0, vent.sample_every) if vent is not None else 0.0
        vs[k, 4] = vs[k, 5] = begin
        vs[k, 6] = begin + (vent.offset if vent is not None else 0.0)
    return gs, vs, oxygen, legs


def run(plant: DrawnPlant) -> History:
    """Run the plant over its days."""
    ambient = atmosphere(plant.altitude)
    steps = round(plant.days * 86400.0)
    minutes = steps // 60 + 2
    clock = plant.start / 1000.0 % 86400.0
    weather = Chance(plant.seed, "weather").rng

    def kelvin(of: list[Weather]) -> Floats:
        return np.stack([temperatures(w, minutes, clock, plant.noon, weather) for w in of],
                        axis=1) + 273.15

    rooms = kelvin([u.room for u in plant.generators])
    pipes = kelvin([r.pipe for r in plant.risers])
    valves = kelvin([r.valve_room for r in plant.risers])
    grid = gcd(*(d.every for d in plant.devices), *(d.phase for d in plant.devices))
    g = np.stack([_generator_row(u, ambient) for u in plant.generators])
    v = np.stack([_riser_row(r, ambient) for r in plant.risers])
    gs, vs, oxygen, leg_oxygen = _first_states(plant, ambient, rooms, pipes)
    cells, legs = np.zeros_like(oxygen), np.zeros_like(oxygen)
    for k, riser in enumerate(plant.risers):
        cells[k, :len(riser.cells)], legs[k, :len(riser.legs)] = riser.cells, riser.legs
    changes = plant.happenings.changes
    what = np.array([[0.0 if x.group == "generator" else 1.0, x.index, x.column, x.value]
                     for x in changes]).reshape(-1, 4)
    shape = (steps // grid + 1, steps // 60 + 1)
    history = History(
        grid=grid, generators=np.zeros((shape[0], len(g), stepping.GEN_RECORD)),
        risers=np.zeros((shape[0], len(v), stepping.RIS_RECORD)),
        generator_totals=np.zeros((shape[1], len(g), stepping.GEN_TOTAL)),
        riser_totals=np.zeros((shape[1], len(v), stepping.RIS_TOTAL)),
        rooms=rooms, pipes=pipes, valve_rooms=valves)
    stepping.step_through(
        steps, ambient, Chance(plant.seed, "switches").rng.normal(size=4096), g, gs, rooms, v, vs,
        pipes, cells, legs, oxygen, leg_oxygen, np.array([x.at for x in changes], dtype=float),
        what, grid, history.generators, history.risers, history.generator_totals,
        history.riser_totals)
    return history
