"""Specifications of a scenario's assets, converted to SI. Frozen: state is elsewhere.

Fields carry the dimension their text is written in (``metadata["as"]``); the scenario reader uses
it, so a parameter is described in one place.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from simulators.units import PSI, SCFM

__all__ = ["GeneratorSpec", "PlantSpec", "RiserSpec", "RoomSpec", "VentSpec"]


def _as(dimension: str, default: Any) -> Any:
    return field(default=default, metadata={"as": dimension})


@dataclass(frozen=True, slots=True, kw_only=True)
class GeneratorSpec:
    """Compressor, separator, tank and the controller's set points."""

    id: str
    tank_volume: float = _as("volume", 60 * 3.785411784e-3)
    cut_in: float = _as("pressure", 60 * PSI)
    cut_out: float = _as("pressure", 80 * PSI)
    air_fill_below: float = _as("pressure", 55 * PSI)
    air_fill_return: float = _as("pressure", 72 * PSI)
    """Tank pressure at which the unit goes back to nitrogen."""
    intake: float = _as("flow", 4.6 * SCFM)
    """Free air the compressor takes in against an empty tank."""
    falls_with_pressure: float = _as("number", 0.18)
    """Share of the delivery lost by the time the tank is at cut-out."""
    recovery: float = _as("number", 0.5)
    """Share of the air that leaves the separator as product."""
    product_oxygen: float = _as("fraction", 0.008)
    warm_up_oxygen: float = _as("fraction", 0.05)
    """How much worse the product is when the separator has been idle for long."""
    warm_up: float = _as("duration", 60.0)
    heat_of_compression: float = _as("difference", 30.0)
    """How much warmer than the room the gas arrives in the tank."""
    tank_leak: float = _as("flow", 0.0)
    tank_start: float = _as("pressure", 74 * PSI)
    tank_oxygen: float = _as("fraction", 0.009)
    running_hours: float = _as("number", 1200.0)
    start_count: float = _as("number", 5200.0)
    room: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RiserSpec:
    """One sprinkler system: its pipe, the device that holds its pressure, its leak."""

    id: str
    fed_by: str
    volume: float = _as("volume", 450 * 3.785411784e-3)
    supervisory_pressure: float = _as("pressure", 25 * PSI)
    low_pressure: float = _as("pressure", 18 * PSI)
    high_pressure: float = _as("pressure", 40 * PSI)
    droop: float = _as("pressure", 1.0 * PSI)
    """How far below its setting the pressure sits when the device passes its full flow."""
    stiction: float = _as("pressure", 0.4 * PSI)
    """How far the pressure must fall before the device opens at all."""
    supply: float = _as("flow", 6 * SCFM)
    """What the device passes when wide open at a full tank."""
    leak: float = _as("flow", 0.04 * SCFM)
    """At supervisory pressure."""
    cells: int = _as("number", 4)
    dead_leg: float = _as("number", 0.2)
    """Share of the volume that the sweep does not pass."""
    dead_leg_time: float = _as("duration", 5 * 3600.0)
    """Time in which the dead leg exchanges its content with the pipe."""
    temperature: float = _as("temperature", 288.15)
    daily_swing: float = _as("difference", 4.0)
    season_swing: float = _as("difference", 8.0)
    weather_swing: float = _as("difference", 1.5)
    temperature_lag: float = _as("duration", 3600.0)
    valve_room: float = _as("temperature", 288.15)
    pressure_start: float | None = _as("pressure", None)
    oxygen_start: float = _as("fraction", 0.016)


@dataclass(frozen=True, slots=True, kw_only=True)
class VentSpec:
    """A purge vent at the remote end, with the logic of its own controller."""

    id: str
    riser: str
    flow: float = _as("flow", 0.35 * SCFM)
    """At supervisory pressure."""
    target_oxygen: float = _as("fraction", 0.02)
    band: float = _as("fraction", 0.004)
    """How far above the target it opens again."""
    logic: str = "oxygen"
    """``oxygen``, ``timer``, ``open`` or ``closed``."""
    timer_period: float = _as("duration", 24 * 3600.0)
    timer_open: float = _as("duration", 2 * 3600.0)
    sensor_lag: float = _as("duration", 90.0)
    noise: float = _as("fraction", 0.0004)
    samples_room_air: bool = False
    """Whether the chamber fills with room air while the vent is shut."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomSpec:
    """A room that holds a generator and that people enter."""

    id: str
    volume: float = _as("volume", 45.0)
    air_changes: float = _as("number", 2.0)
    """Per hour."""
    temperature: float = _as("temperature", 291.15)
    daily_swing: float = _as("difference", 2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantSpec:
    """The whole plant. ``start`` is the instant (ms since 1970 UTC) its history begins."""

    seed: int = 1
    start: int = 0
    atmosphere: float = _as("pressure", 101325.0)
    noise: float = _as("number", 1.0)
    """Factor on every sensor's noise and drift; 0 makes perfect gauges."""
    quiet_step: float = _as("duration", 10.0)
    """The step when nothing but leaks and vents flows; a year wants a longer one."""
    busy_step: float = _as("duration", 4.0)
    """The step when gas is made or drawn."""
    generators: tuple[GeneratorSpec, ...] = ()
    risers: tuple[RiserSpec, ...] = ()
    vents: tuple[VentSpec, ...] = ()
    rooms: tuple[RoomSpec, ...] = ()
