"""Gas in a riser's pipe: cells in series from valve to vent, a dead leg beside them, the vent.

The cells share one pressure, so each holds its share of all the moles; what flows from one to the
next follows from what enters, leaks and leaves. Oxygen rides on those flows, upwind. Every amount
is moved from one account to another and none is computed twice, so nothing is made or lost.
"""

from __future__ import annotations

import math

from simulators.specs import RiserSpec, VentSpec
from simulators.units import AIR_OXYGEN, GAS_CONSTANT, PSI

__all__ = ["Pipe", "PipeFaults"]


class PipeFaults:
    """Faults of a riser. Flows in mol/s at supervisory pressure."""

    __slots__ = ("bypass_open", "grow_from", "grow_rate", "heating_off", "leak_step", "shut",
                 "trip")

    def __init__(self) -> None:
        self.leak_step = 0.0
        self.grow_rate = 0.0
        """mol/s per second since ``grow_from`` (s)."""
        self.grow_from = 0.0
        self.trip = 0.0
        self.bypass_open = False
        self.shut = False
        """Whether the supply valve is closed: nothing gets in, whatever the device would let."""
        self.heating_off = False
        """Of the valve room, which then takes the cold of outside."""


class Pipe:
    """State of one riser. ``total`` in mol, ``oxygen`` in mol per cell, the dead leg last."""

    __slots__ = ("amd_open", "atmosphere", "cells", "cold", "dead", "drawn", "faults", "gauge",
                 "leaked", "leaving", "oxygen", "spec", "temperature", "total", "volume", "_full")

    def __init__(self, spec: RiserSpec, atmosphere: float, temperature: float) -> None:
        self.spec = spec
        self.atmosphere = atmosphere
        self.volume = spec.volume
        self.temperature = temperature
        begin = spec.supervisory_pressure if spec.pressure_start is None else spec.pressure_start
        self.total = (begin + atmosphere) * spec.volume / (GAS_CONSTANT * temperature)
        self.cells = max(int(spec.cells), 1)
        self.dead = spec.dead_leg
        share = (1 - self.dead) / self.cells
        self.oxygen = [self.total * share * spec.oxygen_start] * self.cells
        self.oxygen.append(self.total * self.dead * spec.oxygen_start)
        self.amd_open = False
        self.faults = PipeFaults()
        self.gauge = begin
        self.leaving = 0.0
        """mol/s at the last step, leak and trip together."""
        self.drawn = self.leaked = 0.0
        """mol since the start: let in by the device that holds the pressure, and lost."""
        self.cold = 0.0
        """How far the valve room has gone from its heated state to outside, 0 to 1."""
        self._full = spec.supervisory_pressure + atmosphere

    @property
    def oxygen_total(self) -> float:
        """All the oxygen in the pipe, mol."""
        return sum(self.oxygen)

    @property
    def far_oxygen(self) -> float:
        """Oxygen fraction of the last cell, where the vent sits."""
        return self.oxygen[self.cells - 1] * self.cells / (self.total * (1 - self.dead))

    def demand(self, supply_gauge: float) -> float:
        """Return the flow through the air maintenance device, mol/s.

        It sticks, droops and creeps.
        """
        spec, gauge = self.spec, self.gauge
        if self.faults.shut:
            self.amd_open = False
            return 0.0
        if self.faults.bypass_open:
            drop = supply_gauge - gauge
            return 4 * spec.supply * math.sqrt(drop / (60 * PSI)) if drop > 0 else 0.0
        setting = spec.supervisory_pressure
        if self.amd_open:
            if gauge >= setting:
                self.amd_open = False
                return 0.0
        elif gauge > setting - spec.stiction:
            return 0.0
        self.amd_open = True
        drop = supply_gauge - gauge
        if drop <= 0:
            return 0.0
        opening = (setting + 0.1 * spec.droop - gauge) / spec.droop
        return spec.supply * min(opening, 1.0) * min(math.sqrt(drop / (60 * PSI)), 1.5)

    def losses(self, seconds: float) -> float:
        """Return leak and trip together, mol/s, at the present pressure."""
        faults, gauge = self.faults, self.gauge
        if gauge <= 0:
            return 0.0
        hole = self.spec.leak + faults.leak_step + faults.trip
        if faults.grow_rate:
            hole += max(seconds - faults.grow_from, 0.0) * faults.grow_rate
        # Choked above about 0.9 bar; below, the flow fades with the square root of what drives it.
        absolute = gauge + self.atmosphere
        choked = absolute / self._full
        return hole * choked * min(math.sqrt(gauge / 90e3), 1.0)

    def move(self, dt: float, entering: float, entering_oxygen: float, leaving: float,
             vented: float) -> tuple[float, float]:
        """Let ``dt`` s pass with these flows (mol/s); return the oxygen leaked and vented, mol."""
        total, oxygen, cells, dead = self.total, self.oxygen, self.cells, self.dead
        change = entering - leaving - vented
        share = (1 - dead) / cells
        held = total * share
        leak_each = leaving / cells
        dead_cell = cells // 2
        flow, carried = entering, entering_oxygen
        leaked_oxygen = 0.0
        after = oxygen[:]
        for i in range(cells):
            fraction = oxygen[i] / held
            following = flow - leak_each - share * change
            lost = leak_each * fraction
            leaked_oxygen += lost
            gain = carried - lost
            if i == dead_cell and dead:
                swap = dead * total / self.spec.dead_leg_time
                other = oxygen[cells] / (dead * total)
                net = dead * change
                moved = swap * (fraction - other) + net * (fraction if net > 0 else other)
                following -= net
                gain -= moved
                after[cells] += moved * dt
            if i == cells - 1:
                following = vented
            upwind = fraction if following >= 0 or i == cells - 1 else oxygen[i + 1] / held
            carried = following * upwind
            after[i] += (gain - carried) * dt
            flow = following
        self.oxygen = after
        self.total = total + change * dt
        self.leaving = leaving
        return leaked_oxygen * dt, carried * dt

    def settle(self, temperature: float) -> None:
        """Set the pipe's temperature, and the pressure that follows from it."""
        self.temperature = temperature
        self.gauge = self.total * GAS_CONSTANT * temperature / self.volume - self.atmosphere

    @property
    def valve_room(self) -> float:
        """Temperature of the valve room, K: heated, with a little of the pipe's own swing."""
        heated = self.spec.valve_room + 0.15 * (self.temperature - self.spec.temperature)
        return heated + self.cold * (self.temperature - 2.0 - heated)

    def cool_room(self, dt: float, outside: float) -> None:
        """Move the valve room's temperature towards its heating's, within some two hours."""
        if self.faults.heating_off and outside < self.spec.valve_room:
            self.cold += (1 - self.cold) * min(dt / 7200, 0.5)
        elif self.cold:
            self.cold *= 1 - min(dt / 3600, 0.5)

    def step_limit(self, flow: float) -> float:
        """Return the longest stable step, s, when ``flow`` mol/s passes through."""
        if flow <= 0:
            return 60.0
        return 0.2 * self.total * (1 - self.dead) / self.cells / flow


class VentFaults:
    """Faults of a vent. The sensor's own faults belong to the sensors."""

    __slots__ = ("blocked", "clog", "stuck", "water")

    def __init__(self) -> None:
        self.stuck = ""
        """``open``, ``closed`` or nothing."""
        self.blocked = False
        self.water = False
        self.clog = 0.0
        """Share of the orifice that is closed."""


class Vent:
    """State of one vent: whether it is open and what its sensor's chamber holds."""

    def __init__(self, spec: VentSpec, oxygen: float, full: float, atmosphere: float) -> None:
        self.spec = spec
        self.full = full
        """Absolute supervisory pressure (Pa) at which the stated flow holds."""
        self.atmosphere = atmosphere
        self.chamber = oxygen
        self.open = spec.logic == "open" or (spec.logic == "oxygen" and oxygen > spec.target_oxygen)
        self.faults = VentFaults()
        self.vented = 0.0
        """mol since the start."""

    def __repr__(self) -> str:
        return f"Vent({self.spec.id}, {'open' if self.open else 'closed'}, {self.chamber:.4f})"

    def decide(self, seconds: float) -> None:
        """Run the vent controller's logic on what its sensor has seen."""
        spec, stuck = self.spec, self.faults.stuck
        if stuck:
            self.open = stuck == "open"
        elif spec.logic == "timer":
            self.open = seconds % spec.timer_period < spec.timer_open
        elif spec.logic != "oxygen":
            self.open = spec.logic == "open"
        elif self.chamber > spec.target_oxygen + spec.band:
            self.open = True
        elif self.chamber < spec.target_oxygen - 0.001:
            self.open = False

    def flow(self, gauge: float) -> float:
        """Return the outflow, mol/s, by absolute pressure while choked, less below."""
        if not self.open or self.faults.blocked or gauge <= 0:
            return 0.0
        size = self.spec.flow * (1 - self.faults.clog) * (gauge + self.atmosphere) / self.full
        return size * min(math.sqrt(gauge / 90e3), 1.0)

    def sense(self, dt: float, far: float, flowing: bool) -> None:
        """Move the chamber's gas towards the gas that passes; shut, it hardly changes."""
        if flowing:
            self.chamber += (far - self.chamber) * min(dt / self.spec.sensor_lag, 0.5)
        elif self.spec.samples_room_air and not self.open:
            self.chamber += (AIR_OXYGEN - self.chamber) * min(dt / (12 * 3600), 0.5)
        elif not self.spec.samples_room_air:
            self.chamber += (far - self.chamber) * min(dt / (40 * self.spec.sensor_lag), 0.5)
