"""Simulated gauges: noise, resolution, drift and failures.

Readings are in the units of record (psi gauge, %, degrees C, h; contacts 0 or 1; a mode as its
word). ``None`` is a gauge that gives no signal.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from simulators.noise import key_of, slow, white
from simulators.plant import Plant
from simulators.units import PSI

__all__ = ["Gauges", "SensorFault", "Value"]

Value = float | str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorFault:
    """The fault of a gauge: ``frozen``, ``biased``, ``dead``, ``zero``."""

    kind: str
    amount: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Gauge:
    read: Callable[[], float]
    key: int
    step: float
    noise: float
    drift: float
    held: list[Value] = field(default_factory=list)


class Gauges:
    """Every gauge and contact of a plant, by point (``gen1.tank_pressure``)."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self.faults: dict[str, SensorFault] = {}
        self.cut_legs: set[str] = set()
        """Points such as ``gen1.trouble_nc`` whose wire is off."""
        self.stuck: dict[str, bool] = {}
        """Contacts that are forced to a state, such as ``r1.low_air``."""
        self._gauges: dict[str, _Gauge] = {}
        self._contacts: dict[str, Callable[[], bool]] = {}
        self._modes: dict[str, Callable[[], str]] = {}
        for name in plant.generators:
            self._add_generator(name)
        for name in plant.risers:
            self._add_riser(name)
        for name in plant.vents:
            self._add_vent(name)
        for name in plant.rooms:
            self._add_room(name)

    @property
    def points(self) -> tuple[str, ...]:
        """Every point, in the order the plant was described."""
        return (*self._modes, *self._contacts, *self._gauges)

    def read(self, point: str) -> Value:
        """Return the present reading of ``point``.

        Raises ``KeyError`` for a point the plant lacks.
        """
        if point in self._gauges:
            return self._measure(point, self._gauges[point])
        if point in self._contacts:
            return float(self.stuck.get(point, self._contacts[point]()))
        if point in self._modes:
            return self._modes[point]()
        return self._leg(point)

    def has(self, point: str) -> bool:
        """Whether the plant has ``point``, or the contact that it is a leg of."""
        base = point.removesuffix("_no").removesuffix("_nc")
        return point in self._gauges or point in self._modes or base in self._contacts

    def has_contact(self, point: str) -> bool:
        """Whether ``point`` is a contact of the plant, not one of its legs."""
        return point in self._contacts

    def _leg(self, point: str) -> float:
        """Read one leg of a form C: an open wire reads as an open contact."""
        base = point[:-3]
        state = self.stuck.get(base, self._contacts[base]())
        closed = state is point.endswith("_no")
        return float(closed and point not in self.cut_legs)

    def _measure(self, point: str, gauge: _Gauge) -> Value:
        fault = self.faults.get(point)
        if fault is None:
            gauge.held.clear()
            return self._indicated(gauge, 0.0)
        if fault.kind == "dead":
            return None
        if fault.kind == "zero":
            return 0.0
        if fault.kind == "biased":
            return self._indicated(gauge, fault.amount)
        if not gauge.held:
            gauge.held.append(self._indicated(gauge, 0.0))
        return gauge.held[0]

    def _indicated(self, gauge: _Gauge, bias: float) -> float:
        time, factor = self.plant.time, self.plant.spec.noise
        value = gauge.read() + bias
        if factor:
            value += factor * (gauge.noise * white(gauge.key, time)
                               + gauge.drift * slow(gauge.key + 1, time / 1000, 5 * 86400.0))
        return round(round(value / gauge.step) * gauge.step, 6)

    def _gauge(self, point: str, read: Callable[[], float], step: float, noise: float = 0.0,
               drift: float = 0.0) -> None:
        self._gauges[point] = _Gauge(read=read, key=key_of(self.plant.spec.seed, point), step=step,
                                     noise=noise, drift=drift)

    def _add_generator(self, name: str) -> None:
        unit = self.plant.generators[name]
        self._modes[f"{name}.mode"] = lambda: unit.mode
        self._contacts[f"{name}.compressor_running"] = lambda: unit.running
        self._contacts[f"{name}.trouble"] = lambda: unit.trouble
        self._contacts[f"{name}.power"] = lambda: not unit.faults.power_off
        self._gauge(f"{name}.tank_pressure", lambda: unit.gauge / PSI, 0.1, 0.06, 0.15)
        self._gauge(f"{name}.product_oxygen", lambda: unit.analyser * 100, 0.01, 0.02, 0.04)
        self._gauge(f"{name}.running_hours", lambda: unit.run_seconds / 3600, 0.1)
        self._gauge(f"{name}.start_count", lambda: float(unit.starts), 1.0)
        self._gauge(f"{name}.dew_point",
                    lambda: -44.0 + 12 * unit.coldness if unit.running else -38.0, 0.1, 0.3, 0.5)
        self._gauge(f"{name}.cabinet_temperature", lambda: unit.cabinet - 273.15, 0.1, 0.1, 0.2)

    def _add_riser(self, name: str) -> None:
        pipe = self.plant.risers[name]
        spec = pipe.spec
        self._contacts[f"{name}.low_air"] = lambda: pipe.gauge < spec.low_pressure
        self._contacts[f"{name}.high_air"] = lambda: pipe.gauge > spec.high_pressure
        self._contacts[f"{name}.bypass_open"] = lambda: pipe.faults.bypass_open
        self._gauge(f"{name}.pressure", lambda: pipe.gauge / PSI, 0.01, 0.015, 0.04)
        self._gauge(f"{name}.pipe_temperature", lambda: pipe.temperature - 273.15, 0.1, 0.05, 0.1)
        self._gauge(f"{name}.valve_room_temperature",
                    lambda: pipe.valve_room - 273.15, 0.1, 0.05, 0.1)

    def _add_vent(self, name: str) -> None:
        vent = self.plant.vents[name]
        self._contacts[f"{name}.open"] = lambda: vent.open
        self._contacts[f"{name}.water"] = lambda: vent.faults.water
        self._gauge(f"{name}.oxygen", lambda: vent.chamber * 100, 0.1, vent.spec.noise * 100, 0.06)

    def _add_room(self, name: str) -> None:
        room = self.plant.rooms[name]
        self._gauge(f"{name}.oxygen", lambda: room.oxygen * 100, 0.1, 0.04, 0.05)
        self._gauge(f"{name}.temperature", lambda: room.temperature - 273.15, 0.1, 0.1, 0.1)

    def snapshot(self) -> Mapping[str, Value]:
        """Return the present reading of every point."""
        return {point: self.read(point) for point in self.points}
