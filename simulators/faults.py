"""Every fault by name, switched on and off while the plant runs.

A fault changes how the plant behaves or how a unit answers; it never writes a reading.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from simulators.plant import Plant
from simulators.sensors import Gauges, SensorFault
from simulators.units import ScenarioError, parse
from simulators.wire import UnitFaults

__all__ = ["FAULTS", "Bench", "switch"]


@dataclass(slots=True, kw_only=True)
class Bench:
    """Targets of faults: the plant, its gauges, and the replies of the units on the wire."""

    plant: Plant
    gauges: Gauges
    units: dict[str, UnitFaults] = field(default_factory=dict)
    """By device id."""
    orders: int = 0
    """Number of orders carried out; register images older than the last one are stale."""


class _Order:
    """One order to a fault.

    Its parameters are removed one by one, so that a leftover is a mistake.
    """

    def __init__(self, params: Mapping[str, Any]) -> None:
        self._left = dict(params)

    def text(self, name: str, default: str | None = None) -> str:
        value = self._left.pop(name, default)
        if not isinstance(value, str):
            raise ScenarioError(f"parameter {name!r} is missing or no text")
        return value

    def number(self, name: str, dimension: str, default: object) -> float:
        return parse(self._left.pop(name, default), dimension)

    def flag(self, name: str, default: bool) -> bool:
        value = self._left.pop(name, default)
        if not isinstance(value, bool):
            raise ScenarioError(f"parameter {name!r} must be true or false")
        return value

    def finish(self) -> None:
        if self._left:
            raise ScenarioError(f"unknown parameters: {', '.join(sorted(self._left))}")


def _find(group: Mapping[str, Any], name: str, kind: str) -> Any:
    if name not in group:
        known = ", ".join(group) or "none"
        raise ScenarioError(f"there is no {kind} {name!r} (there are: {known})")
    return group[name]


def _riser(bench: Bench, order: _Order) -> Any:
    return _find(bench.plant.risers, order.text("riser"), "riser").faults


def _generator(bench: Bench, order: _Order) -> Any:
    return _find(bench.plant.generators, order.text("generator"), "generator").faults


def _vent(bench: Bench, order: _Order) -> Any:
    return _find(bench.plant.vents, order.text("vent"), "vent").faults


def _device(bench: Bench, order: _Order) -> UnitFaults:
    found: UnitFaults = _find(bench.units, order.text("device"), "device")
    return found


def _leak_step(bench: Bench, on: bool, order: _Order) -> None:
    _riser(bench, order).leak_step = order.number("flow", "flow", "1 scfm") if on else 0.0


def _leak_growth(bench: Bench, on: bool, order: _Order) -> None:
    faults = _riser(bench, order)
    per_day = order.number("per_day", "flow", "0.05 scfm")
    faults.grow_from = bench.plant.seconds
    faults.grow_rate = per_day / 86400 if on else 0.0


def _trip(bench: Bench, on: bool, order: _Order) -> None:
    _riser(bench, order).trip = order.number("flow", "flow", "400 scfm") if on else 0.0


def _bypass(bench: Bench, on: bool, order: _Order) -> None:
    _riser(bench, order).bypass_open = on


def _shut(bench: Bench, on: bool, order: _Order) -> None:
    _riser(bench, order).shut = on


def _wear(bench: Bench, on: bool, order: _Order) -> None:
    _generator(bench, order).wear = order.number("share", "number", 0.35) if on else 0.0


def _tank_leak(bench: Bench, on: bool, order: _Order) -> None:
    _generator(bench, order).tank_leak = order.number("flow", "flow", "0.3 scfm") if on else 0.0


def _narrow_switch(bench: Bench, on: bool, order: _Order) -> None:
    band = order.number("band", "pressure", "2 psi")
    _generator(bench, order).switch_band = band if on else 0.0


def _tired_separator(bench: Bench, on: bool, order: _Order) -> None:
    more = order.number("oxygen", "fraction", "4 %")
    _generator(bench, order).tired_separator = more if on else 0.0


def _counter_reset(bench: Bench, on: bool, order: _Order) -> None:
    unit = _find(bench.plant.generators, order.text("generator"), "generator")
    hours = order.number("hours", "number", 0.0)
    if on:
        unit.run_seconds, unit.starts = hours * 3600, 0


def _heating_off(bench: Bench, on: bool, order: _Order) -> None:
    _riser(bench, order).heating_off = on


def _generator_flag(name: str) -> Callable[[Bench, bool, _Order], None]:
    def set_flag(bench: Bench, on: bool, order: _Order) -> None:
        setattr(_generator(bench, order), name, on)
    return set_flag


def _stuck(way: str) -> Callable[[Bench, bool, _Order], None]:
    def set_stuck(bench: Bench, on: bool, order: _Order) -> None:
        _vent(bench, order).stuck = way if on else ""
    return set_stuck


def _blocked(bench: Bench, on: bool, order: _Order) -> None:
    faults = _vent(bench, order)
    seen = order.flag("seen", True)
    faults.blocked = on
    faults.water = on and seen


def _clogged(bench: Bench, on: bool, order: _Order) -> None:
    _vent(bench, order).clog = order.number("share", "number", 0.7) if on else 0.0


def _sensor(kind: str, default: str) -> Callable[[Bench, bool, _Order], None]:
    def set_sensor(bench: Bench, on: bool, order: _Order) -> None:
        point = order.text("point") if not default else order.text("of") + default
        if not bench.gauges.has(point):
            raise ScenarioError(f"there is no gauge {point!r}")
        amount = order.number("by", "number", 1.5) if kind == "biased" else 0.0
        how = order.text("reads", "nothing") if kind == "dead" else ""
        bench.gauges.faults.pop(point, None)
        if on:
            # Held from now on, not from the next request.
            bench.gauges.read(point)
            actual = "zero" if how == "zero" else kind
            bench.gauges.faults[point] = SensorFault(kind=actual, amount=amount)
            bench.gauges.read(point)
    return set_sensor


def _wire_off(bench: Bench, on: bool, order: _Order) -> None:
    point = order.text("point")
    if not point.endswith(("_no", "_nc")) or not bench.gauges.has(point):
        raise ScenarioError(f"{point!r} is no leg of a contact; such as gen1.trouble_nc")
    (bench.gauges.cut_legs.add if on else bench.gauges.cut_legs.discard)(point)


def _contact_stuck(bench: Bench, on: bool, order: _Order) -> None:
    point = order.text("point")
    closed = order.flag("closed", False)
    if not bench.gauges.has_contact(point):
        raise ScenarioError(f"{point!r} is no contact; such as r1.low_air")
    if on:
        bench.gauges.stuck[point] = closed
    else:
        bench.gauges.stuck.pop(point, None)


def _silent(bench: Bench, on: bool, order: _Order) -> None:
    _device(bench, order).silent = on


def _slow(bench: Bench, on: bool, order: _Order) -> None:
    faults = _device(bench, order)
    seconds = order.number("seconds", "number", 0.4)
    faults.delay = seconds if on else 0.0


def _exceptions(bench: Bench, on: bool, order: _Order) -> None:
    faults = _device(bench, order)
    code = int(order.number("code", "number", 4))
    faults.exception = code if on else 0


def _device_flag(name: str) -> Callable[[Bench, bool, _Order], None]:
    def set_flag(bench: Bench, on: bool, order: _Order) -> None:
        setattr(_device(bench, order), name, on)
    return set_flag


Fault = Callable[[Bench, bool, _Order], None]

FAULTS: Mapping[str, Fault] = {
    "leak-step": _leak_step,
    "leak-growth": _leak_growth,
    "riser-trip": _trip,
    "bypass-open": _bypass,
    "supply-shut": _shut,
    "worn-compressor": _wear,
    "tank-leak": _tank_leak,
    "narrow-switch": _narrow_switch,
    "tired-separator": _tired_separator,
    "counter-reset": _counter_reset,
    "heating-off": _heating_off,
    "no-start": _generator_flag("no_start"),
    "no-stop": _generator_flag("no_stop"),
    "stuck-air-fill": _generator_flag("stuck_air_fill"),
    "air-saying-nitrogen": _generator_flag("air_saying_nitrogen"),
    "power-off": _generator_flag("power_off"),
    "generator-trouble": _generator_flag("trouble"),
    "vent-stuck-open": _stuck("open"),
    "vent-stuck-closed": _stuck("closed"),
    "purge-blocked": _blocked,
    "vent-clogged": _clogged,
    "oxygen-frozen": _sensor("frozen", ".oxygen"),
    "oxygen-biased": _sensor("biased", ".oxygen"),
    "oxygen-dead": _sensor("dead", ".oxygen"),
    "pressure-drop-out": _sensor("dead", ".pressure"),
    "gauge-frozen": _sensor("frozen", ""),
    "gauge-biased": _sensor("biased", ""),
    "gauge-dead": _sensor("dead", ""),
    "contact-stuck": _contact_stuck,
    "wire-off": _wire_off,
    "silent": _silent,
    "slow": _slow,
    "exceptions": _exceptions,
    "short-replies": _device_flag("short"),
    "other-unit": _device_flag("other_unit"),
    "frozen-registers": _device_flag("frozen"),
}
"""Every fault; what it needs is named in its function: ``riser``, ``generator``, ``vent``,
``device``, ``of`` (whose sensor) or ``point``."""


def switch(bench: Bench, name: str, on: bool, params: Mapping[str, Any]) -> None:
    """Switch a fault. Raises :class:`ScenarioError` when it, its target or a parameter is wrong."""
    if name not in FAULTS:
        raise ScenarioError(f"there is no fault {name!r} (there are: {', '.join(FAULTS)})")
    order = _Order(params)
    FAULTS[name](bench, on, order)
    bench.orders += 1
    if on:
        order.finish()
