"""The plant's gas, second by second: a loop over tanks, regulators, pipes and vents.

Compiled where numba is there, plain (and slow) Python where it is not. Every mole that leaves one
place arrives in another or in a running total, so that a test can hold the sums together.
"""

from __future__ import annotations

import importlib
import importlib.util
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from simulators.family import columns as c

_Function = TypeVar("_Function", bound=Callable[..., Any])
_NUMBA: Any = importlib.import_module("numba") if importlib.util.find_spec("numba") else None


def compiled(function: _Function) -> _Function:
    """Return the function compiled, with the machine code kept beside its module's bytecode."""
    if _NUMBA is None:
        return function
    made: _Function = _NUMBA.njit(cache=True)(function)
    return made


__all__ = ["GEN_RECORD", "GEN_STATE", "GEN_TOTAL", "RIS_RECORD", "RIS_STATE", "RIS_TOTAL",
           "Floats", "step_through"]

Floats = NDArray[np.float64]

GEN_STATE = 14
"""n, oxygen moles, T, running, air-fill, run s, rest s, hours, starts, analyser, excess of the
product, excess in the analyser's line, cycles, unused."""
RIS_STATE = 8
"""n, opening, vent open, s since it moved, chamber, sensor, reading, gulp under way."""
GEN_RECORD = 6
"""tank pressure psi, running, air-fill, analyser, hours, starts."""
RIS_RECORD = 3
"""pressure psi, vent open, oxygen reading."""
GEN_TOTAL = 9
"""made on nitrogen mol, made on air mol, s on nitrogen, s running, leaked mol, to risers mol,
n in the tank, oxygen moles in the tank, tank pressure psi."""
RIS_TOTAL = 9
"""from the tank mol, shop air mol, leaked mol, through holes and drains mol, vent mol, n in the
pipe, oxygen moles in the pipe, oxygen at the vent end, pressure psi."""

_PSI = 6894.757293168
_R = 8.314462618
_AIR = 0.209476


@compiled
def _orifice(upstream: float, downstream: float) -> float:
    """Return the upstream pressure that determines an orifice's flow (ISO 6358, b = 0.528)."""
    if upstream <= downstream:
        return 0.0
    ratio = downstream / upstream
    if ratio <= 0.528:
        return upstream
    over = (ratio - 0.528) / 0.472
    return float(upstream * np.sqrt(1.0 - over * over))


@compiled
def _generator(g: Floats, s: Floats, room: float, now: float, ambient: float, noise: Floats,
               total: Floats) -> float:
    """Run one generator for a second; return its tank's pressure in Pa absolute."""
    pressure = s[0] * _R * s[2] / g[c.G_VOLUME]
    gauge = (pressure - ambient) / _PSI
    wobble = g[c.G_OFFSET] + g[c.G_NOISE] * noise[int(s[12]) % noise.size]
    if g[c.G_POWER] < 0.5:
        s[3] = 0.0
        s[4] = 0.0
    elif s[3] > 0.5:
        if gauge >= g[c.G_CUT_OUT] + wobble:
            s[3] = 0.0
            s[6] = 0.0
            s[12] += 1.0
    elif gauge <= g[c.G_CUT_IN] + wobble and g[c.G_BLOCKED] < 0.5:
        stale = 1.0 - np.exp(-s[6] / 900.0)
        s[3] = 1.0
        s[5] = 0.0
        s[8] += 1.0
        s[10] = max(g[c.G_START_OXYGEN] - g[c.G_OXYGEN], 0.0) * stale
        s[11] = max(g[c.G_SEEN_OXYGEN] - g[c.G_OXYGEN], 0.0) * stale
        s[12] += 1.0
    if g[c.G_AIR_BELOW] > 0.0 and g[c.G_POWER] > 0.5:
        if s[3] > 0.5 and gauge < g[c.G_AIR_BELOW]:
            s[4] = 1.0
        elif gauge >= g[c.G_AIR_RETURN]:
            s[4] = 0.0
    if g[c.G_FORCE_AIR] > 0.5 and g[c.G_POWER] > 0.5:
        s[4] = 1.0
    made = 0.0
    oxygen = 0.0
    if s[3] > 0.5:
        s[5] += 1.0
        s[7] += 1.0 / 3600.0
        total[3] += 1.0
        made = (g[c.G_DELIVERY] * g[c.G_FACTOR] * (1.0 - g[c.G_AGE] * now)
                * max(1.0 - g[c.G_LOSS_P] * gauge / g[c.G_REF], 0.02)
                * (1.0 - g[c.G_LOSS_T] * (room - 293.15)))
        settled = g[c.G_OXYGEN] * (1.0 + g[c.G_OXYGEN_T] * (room - 293.15))
        if s[4] > 0.5 or g[c.G_BYPASS] > 0.5:
            made *= g[c.G_AIR_RATIO]
            oxygen = _AIR
            settled = _AIR
            s[10] = 0.0
        else:
            if g[c.G_START_TIME] > 0.0:
                s[10] -= s[10] / g[c.G_START_TIME]
                oxygen = min(settled + s[10], _AIR)
            else:
                oxygen = settled
        if s[4] > 0.5:
            total[1] += made
        else:
            total[0] += made
            total[2] += 1.0
        s[11] -= s[11] / g[c.G_SEEN_TIME]
        seen = min(settled + s[11], _AIR)
        s[9] += (seen - s[9]) / g[c.G_ANALYSER_LAG]
    else:
        s[6] += 1.0
    lost = g[c.G_LEAK] * _orifice(pressure, ambient)
    if gauge > g[c.G_RELIEF]:
        lost += g[c.G_DELIVERY] * (gauge - g[c.G_RELIEF])
    total[4] += lost
    s[1] += made * oxygen - lost * s[1] / s[0]
    s[0] += made - lost
    s[2] += (room + (g[c.G_WARM_BY] if s[3] > 0.5 else 0.0) - s[2]) / g[c.G_WARM_TIME]
    return float(pressure)


@compiled
def _regulator(v: Floats, s: Floats, gauge: float) -> float:
    """Return the opening of the air maintenance device, 0 to 1, without its creep."""
    kind = v[c.V_KIND]
    if kind == 1.0:
        if gauge >= v[c.V_SETTING]:
            s[7] = 0.0
        elif gauge < v[c.V_SETTING] - v[c.V_DEADBAND]:
            s[7] = 1.0
        s[1] = s[7]
    else:
        wanted = min(max((v[c.V_SETTING] - gauge) / v[c.V_DROOP], 0.0), 1.0)
        if kind == 2.0:
            s[1] += (wanted - s[1]) / v[c.V_LAG]
        else:
            s[1] = wanted
    return float(max(s[1], v[c.V_FORCED]))


@compiled
def _vent(v: Floats, s: Floats, now: float) -> None:
    """Let the vent's controller open or shut it."""
    kind = v[c.V_VENT]
    was = s[2]
    if kind == 0.0 or (kind < 2.5 and v[c.V_POWER] < 0.5):
        s[2] = 0.0
    elif v[c.V_STUCK] >= 0.0:
        s[2] = v[c.V_STUCK]
    elif kind == 3.0:
        s[2] = 1.0
    elif kind == 2.0:
        s[2] = 1.0 if (now + v[c.V_PHASE]) % v[c.V_PERIOD] < v[c.V_OPEN] else 0.0
    elif s[2] > 0.5:
        if s[3] >= v[c.V_SAMPLE_FOR] and s[6] <= v[c.V_TARGET]:
            s[2] = 0.0
    elif s[6] > v[c.V_TARGET] + v[c.V_BAND] or (
            v[c.V_SAMPLE_EVERY] > 0.0 and s[3] >= v[c.V_SAMPLE_EVERY]):
        s[2] = 1.0
    s[3] = s[3] + 1.0 if s[2] == was else 0.0


@compiled
def _pipe(n: float, v: Floats, cells: Floats, legs: Floats, oxygen: Floats, leg_oxygen: Floats,
          feed: float, feed_oxygen: float, out: float, vent: float) -> float:
    """Move the oxygen of one pipe for a second; return the oxygen fraction at the vent end."""
    grows = feed - out - vent
    through, carried, end = feed, feed * feed_oxygen, 0.0
    for i in range(int(v[c.V_CELLS])):
        share = cells[i] + legs[i]
        here = oxygen[i] / (cells[i] * n)
        there = leg_oxygen[i] / (legs[i] * n)
        on = through - share * out - share * grows
        breath = legs[i] * grows
        into_leg = breath * (here if breath > 0.0 else there)
        into_leg += legs[i] * n / v[c.V_LEG_TIME] * (here - there)
        oxygen[i] += carried - on * here - share * out * here - into_leg
        leg_oxygen[i] += into_leg
        through, carried, end = on, on * here, here
    return end


@compiled
def step_through(  # noqa: PLR0913
    steps: int, ambient: float, noise: Floats, g: Floats, gs: Floats, rooms: Floats, v: Floats,
    vs: Floats, pipes: Floats, cells: Floats, legs: Floats, oxygen: Floats, leg_oxygen: Floats,
    when: Floats, what: Floats, grid: int, gen_record: Floats, ris_record: Floats,
    gen_total: Floats, ris_total: Floats,
) -> None:
    """Run the plant for ``steps`` s; fill the records each ``grid`` s and the totals each 60 s.

    ``rooms`` and ``pipes`` are temperatures (K) each 60 s. ``when`` and ``what`` are the changes in
    order: group (0 generator, 1 riser), index, column, value.
    """
    generators, risers = g.shape[0], v.shape[0]
    pressures = np.zeros(generators)
    gen_sum = np.zeros((generators, 6))
    ris_sum = np.zeros((risers, 5))
    end = np.zeros(risers)
    change = 0
    for t in range(steps + 1):
        while change < when.size and when[change] <= t:
            row, column = int(what[change, 1]), int(what[change, 2])
            if what[change, 0] < 0.5:
                g[row, column] = what[change, 3]
            else:
                v[row, column] = what[change, 3]
            change += 1
        minute, part = t // 60, (t % 60) / 60.0
        if t % grid == 0:
            k = t // grid
            for j in range(generators):
                gen_record[k, j, 0] = (gs[j, 0] * _R * gs[j, 2] / g[j, c.G_VOLUME] - ambient) / _PSI
                gen_record[k, j, 1] = gs[j, 3]
                gen_record[k, j, 2] = gs[j, 4]
                gen_record[k, j, 3] = gs[j, 9]
                gen_record[k, j, 4] = gs[j, 7]
                gen_record[k, j, 5] = gs[j, 8]
            for j in range(risers):
                warmth = pipes[minute, j] + part * (pipes[minute + 1, j] - pipes[minute, j])
                ris_record[k, j, 0] = (vs[j, 0] * _R * warmth / v[j, c.V_VOLUME] - ambient) / _PSI
                ris_record[k, j, 1] = vs[j, 2]
                ris_record[k, j, 2] = vs[j, 6]
        if t % 60 == 0:
            for j in range(generators):
                for k2 in range(6):
                    gen_total[minute, j, k2] = gen_sum[j, k2]
                gen_total[minute, j, 6] = gs[j, 0]
                gen_total[minute, j, 7] = gs[j, 1]
                gen_total[minute, j, 8] = (
                    gs[j, 0] * _R * gs[j, 2] / g[j, c.G_VOLUME] - ambient) / _PSI
            for j in range(risers):
                last = int(v[j, c.V_CELLS]) - 1
                for k2 in range(5):
                    ris_total[minute, j, k2] = ris_sum[j, k2]
                ris_total[minute, j, 5] = vs[j, 0]
                held = 0.0
                for i in range(last + 1):
                    held += oxygen[j, i] + leg_oxygen[j, i]
                ris_total[minute, j, 6] = held
                ris_total[minute, j, 7] = oxygen[j, last] / (cells[j, last] * vs[j, 0])
                ris_total[minute, j, 8] = (
                    vs[j, 0] * _R * pipes[minute, j] / v[j, c.V_VOLUME] - ambient) / _PSI
        if t == steps:
            return
        for j in range(generators):
            room = rooms[minute, j] + part * (rooms[minute + 1, j] - rooms[minute, j])
            pressures[j] = _generator(g[j], gs[j], room, float(t), ambient, noise, gen_sum[j])
        for j in range(risers):
            vj, sj = v[j], vs[j]
            gen = int(vj[c.V_GEN])
            n = sj[0]
            warmth = pipes[minute, j] + part * (pipes[minute + 1, j] - pipes[minute, j])
            pressure = n * _R * warmth / vj[c.V_VOLUME]
            gauge = (pressure - ambient) / _PSI
            opening = _regulator(vj, sj, gauge)
            top = vj[c.V_SETTING] + vj[c.V_CREEP_TOP]
            flow = opening * vj[c.V_CAPACITY] + vj[c.V_CREEP] * min(max(top - gauge, 0.0), 1.0)
            source = _orifice(pressures[gen], pressure) / (g[gen, c.G_CUT_IN] * _PSI + ambient)
            tank_oxygen = gs[gen, 1] / gs[gen, 0]
            feed, feed_oxygen, shop = flow * source * vj[c.V_FEED], tank_oxygen, 0.0
            if vj[c.V_SHOP_AIR] > 0.5:
                shop, feed, feed_oxygen = flow * vj[c.V_FEED], 0.0, _AIR
            drive = _orifice(pressure, ambient)
            leak = vj[c.V_LEAK] * ((pressure - ambient) if vj[c.V_LINEAR] > 0.5 else drive)
            if gauge > vj[c.V_RELIEF_AT]:
                leak += vj[c.V_CREEP] * (gauge - vj[c.V_RELIEF_AT]) * 2.0
            leak = max(leak, 0.0)
            hole = (vj[c.V_DRAIN] + vj[c.V_HOLE]) * drive
            _vent(vj, sj, float(t))
            vent = vj[c.V_VENT_K] * drive * sj[2] * vj[c.V_CLEAR]
            end[j] = _pipe(n, vj, cells[j], legs[j], oxygen[j], leg_oxygen[j], feed + shop,
                           feed_oxygen, leak + hole, vent)
            sj[0] = n + feed + shop - leak - hole - vent
            gs[gen, 0] -= feed
            gs[gen, 1] -= feed * tank_oxygen
            gen_sum[gen, 5] += feed
            ris_sum[j, 0] += feed
            ris_sum[j, 1] += shop
            ris_sum[j, 2] += leak
            ris_sum[j, 3] += hole
            ris_sum[j, 4] += vent
            if vj[c.V_VENT] > 0.5:
                if sj[2] > 0.5 and vj[c.V_CLEAR] > 0.0:
                    sj[4] += (end[j] - sj[4]) * min(vj[c.V_CLEAR] / vj[c.V_FLUSH], 1.0)
                elif vj[c.V_ROOM_AIR] > 0.0:
                    sj[4] += (_AIR - sj[4]) / vj[c.V_ROOM_AIR]
                sj[5] += (sj[4] - sj[5]) / vj[c.V_SENSOR_LAG]
                if vj[c.V_FROZEN] < 0.5:
                    sj[6] = sj[5] + vj[c.V_OFFSET]
