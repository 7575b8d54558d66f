"""Specification of a drawn plant: equipment, gauges, devices, planned disturbances and faults.

SI inside (mol, Pa, K, s, m3) except where a field says psi. Instants are s from the start.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = [
    "AIR",
    "CUBIC_FOOT",
    "GALLON",
    "PSI",
    "Allowed",
    "Change",
    "Device",
    "DrawnPlant",
    "Fault",
    "FaultPlan",
    "Force",
    "Gauge",
    "Generator",
    "Happenings",
    "Outage",
    "R",
    "Riser",
    "Room",
    "Vent",
    "Weather",
    "atmosphere",
    "scf",
]

R = 8.314462618
PSI = 6894.757293168
GALLON = 3.785411784e-3
CUBIC_FOOT = 0.3048**3
AIR = 0.209476
"""Oxygen fraction of dry air, US Standard Atmosphere 1976."""
STANDARD_PRESSURE = 14.696 * PSI


def atmosphere(altitude: float) -> float:
    """Return the pressure (Pa) at a geometric altitude (m), US Standard Atmosphere 1976.

    >>> round(atmosphere(1500.0), 0)
    84560.0
    """
    height = 6356766.0 * altitude / (6356766.0 + altitude)
    return float(101325.0 * (1.0 - 0.0065 * height / 288.15) ** (9.80665 * 0.0289644 / (
        8.31432 * 0.0065)))


def scf(moles: float, standard_kelvin: float) -> float:
    """Return standard cubic feet at 14.696 psia and the site's standard temperature.

    A pound-mole is 379.48 scf at 60 F (computed from the ideal gas law):

    >>> round(scf(453.59237, 288.7056), 2)
    379.48
    """
    return moles * R * standard_kelvin / STANDARD_PRESSURE / CUBIC_FOOT


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """The course of a temperature (degrees C). ``sun`` is the highest gain of a clear noon."""

    mean: float
    daily: float = 0.0
    sun: float = 0.0
    front: float = 0.0
    """Standard deviation of the weather that comes and goes over days."""
    defrost: float = 0.0
    """Height of the pulses of a freezer's defrost."""
    defrost_every: float = 28800.0
    lag: float = 1800.0

    @property
    def swing(self) -> float:
        """Widest difference to be expected within some days."""
        return 2.0 * self.daily + self.sun + 4.0 * self.front + self.defrost


@dataclass(frozen=True, slots=True, kw_only=True)
class Generator:
    """Compressor, separator, tank and controller. Pressures are psi gauge."""

    id: str
    tank_volume: float
    cut_in: float
    cut_out: float
    switch_offset: float
    switch_noise: float
    air_fill_below: float | None
    air_fill_return: float
    relief: float
    delivery: float
    """mol/s in nitrogen mode into an empty tank at 20 C with a new filter."""
    pressure_loss: float
    """Share of the delivery that is lost at cut-out."""
    heat_loss: float
    age_loss: float
    """Share lost in a day as the filter clogs."""
    air_ratio: float
    warm_by: float
    warm_time: float
    leak: float
    """mol/s at cut-out."""
    oxygen: float
    oxygen_heat: float
    start_oxygen: float
    start_time: float
    """Time constant of the product's own warm-up; 0 where the controller vents it."""
    seen_oxygen: float
    seen_time: float
    analyser: str
    analyser_lag: float
    """Time constant; 2.3 of them make the 90 % of a data sheet."""
    mode: str
    hours: float
    starts: int
    room: Weather
    listed_delivery: bool
    """Whether the site file says what it delivers."""
    service_hours: float | None = None
    """Reading of the hour counter at which the next service is due."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Vent:
    """A purge vent. Oxygen contents are fractions."""

    id: str
    kind: str
    flow: float
    """mol/s at supervisory pressure."""
    target: float
    band: float
    sample_every: float
    sample_for: float
    timer_period: float
    timer_open: float
    timer_phase: float
    flush: float
    room_air: float
    """Time constant at which a shut chamber takes in room air; 0: never."""
    lag: float
    offset: float
    """Calibration error of the sensor."""
    has_oxygen: bool
    has_contact: bool
    has_water: bool
    listed_flow: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Riser:
    """A sprinkler system's pipe and its air maintenance device. Pressures are psi gauge."""

    id: str
    fed_by: int
    volume: float
    place: str
    pipe: Weather
    valve_room: Weather
    setting: float
    low: float
    high: float
    regulator: str
    droop: float
    deadband: float
    lag: float
    capacity: float
    """mol/s wide open with the tank at cut-in."""
    creep: float
    creep_top: float
    relief_at: float
    leak: float
    """mol/s at supervisory pressure."""
    leak_limit: float
    """mol/s: 3 psi in 2 h at 40 psi, NFPA 25, for this volume and pressure."""
    leak_law: str
    cells: tuple[float, ...]
    legs: tuple[float, ...]
    """Share of each cell's dead leg; cells and legs add up to 1."""
    leg_time: float
    vent: Vent | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """A room with an oxygen sensor."""

    id: str
    generator: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """Errors of a sensor: its resolution, noise, drift a day, and stiction."""

    step: float
    noise: float = 0.0
    drift: float = 0.0
    stick: float = 0.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A controller or input module: polled every so many s, ``phase`` s after the start."""

    id: str
    every: int
    phase: int
    watches: tuple[str, ...]
    points: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A number of the plant that takes another value at an instant."""

    at: float
    group: str
    """``generator`` or ``riser``."""
    index: int
    column: int
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Force:
    """A value that a sensor or contact is forced to."""

    point: str
    start: float
    end: float
    how: str
    """``value``, ``shift``, ``hold``; ``ramp`` and ``slow-ramp`` move by ``value`` and back."""
    value: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Outage:
    """A device that does not answer, or repeats its values."""

    device: str
    start: float
    end: float
    how: str
    """``absent`` (no rows), ``empty`` (rows without value) or ``frozen``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowed:
    """A condition that may rightly be raised from ``start`` to ``end`` (ms since 1970 UTC).

    ``asset`` may be ``*``. In a drawn plant the two are seconds from the start.
    """

    condition: str
    asset: str
    start: float
    end: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultPlan:
    """A fault as drawn. ``rule`` says how its onset and latest alarm follow from the history."""

    condition: str
    asset: str
    cause: str
    onset: float
    end: float | None
    hard: bool
    grace: float
    """How long after the instant that ``rule`` finds it should have been raised, in s."""
    rule: str = "at-once"
    where: int = 0
    level: float = 0.0
    count: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A fault that took effect.

    Instants are ms since 1970 UTC; ``by`` may lie after the recording.
    """

    condition: str
    asset: str
    cause: str
    onset: int
    end: int | None
    hard: bool
    by: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Happenings:
    """All planned events: disturbances of a healthy year, and the effects of a fault."""

    changes: tuple[Change, ...] = ()
    forces: tuple[Force, ...] = ()
    outages: tuple[Outage, ...] = ()
    clock_sets: tuple[tuple[float, float], ...] = ()
    """When, and by how many s."""
    actions: tuple[Mapping[str, Any], ...] = ()
    allowed: tuple[Allowed, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnPlant:
    """A drawn plant. ``simulate`` turns it into a recording."""

    seed: int
    days: float
    fault: str | None
    start: int
    """ms since 1970 UTC."""
    purge: bool
    """Whether the recording begins with a purge: the pipes full of air."""
    altitude: float
    timezone: str
    noon: float
    """Second of the UTC day at which the sun stands highest."""
    standard_temperature: float
    """degrees C."""
    structure: Mapping[str, str]
    generators: tuple[Generator, ...]
    risers: tuple[Riser, ...]
    rooms: tuple[Room, ...]
    gauges: Mapping[str, Gauge]
    devices: tuple[Device, ...]
    dropped: float
    """Share of polls that are lost; ``doubled`` and ``late`` likewise."""
    doubled: float
    late: float
    happenings: Happenings
    plan: FaultPlan | None
    site: Mapping[str, Any]
    """As ``tomllib`` loads the site file."""
    profiles: Mapping[str, str]
    """The device profiles the site file names, as text by file name."""
