"""A purge vent at the remote end of a riser: orifice, sensor chamber, and its own controller."""

from __future__ import annotations

import math

from simulators.specs import VentSpec
from simulators.units import AIR_OXYGEN

__all__ = ["Vent", "VentFaults"]


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
