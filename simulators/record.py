"""Recording of the plant without Modbus, as fast as it can be computed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TextIO

from collector.clock import format_instant
from simulators.registers import REGISTER_SETS, assign
from simulators.scenario import Scenario, UnitSpec
from simulators.sensors import Value
from simulators.stage import Stage
from simulators.wire import UnitFaults

__all__ = ["polls", "record", "record_to", "rows"]


@dataclass(slots=True)
class _Controller:
    """One controller of a recording: its points, and its last values."""

    stage: Stage
    spec: UnitSpec
    points: tuple[str, ...]
    last: dict[str, Value] = field(default_factory=dict)

    def answer(self) -> dict[str, Value]:
        """Return the values that a collector would read now; ``None`` without an answer."""
        faults = self.stage.bench.units[self.spec.device]
        power = self.stage.plant.generators.get(self.spec.powered_by)
        if (faults.silent or faults.exception or faults.short or faults.other_unit
                or (power is not None and power.faults.power_off)):
            return dict.fromkeys(self.points)
        if not (faults.frozen and self.last):
            self.last = {point: self._read(point) for point in self.points}
        return self.last

    def _read(self, point: str) -> Value:
        gauges = self.stage.gauges
        if f"{point}_no" not in self.points:
            return gauges.read(point)
        closed, other = gauges.read(f"{point}_no"), gauges.read(f"{point}_nc")
        # Both legs alike: the contact says nothing, and the legs say why.
        return closed if closed != other else None


def _controllers(stage: Stage) -> list[_Controller]:
    specs = [u for s in stage.scenario.serve for u in s.units]
    if not specs:  # a plant without wires is read directly
        whole = UnitSpec(device="", unit=0, registers="", watches=())
        stage.bench.units.setdefault("", UnitFaults())
        return [_Controller(stage, whole, stage.gauges.points)]
    controllers = []
    for spec in specs:
        points: list[str] = []
        for registers, point in assign(REGISTER_SETS[spec.registers].points, spec.watches,
                                       stage.kind_of):
            points.append(point)
            if registers.normally_open is not None:
                points += [f"{point}_no", f"{point}_nc"]
        controllers.append(_Controller(stage, spec, tuple(points)))
    return controllers


def rows(stage: Stage, duration: int, every: int) -> Iterator[tuple[int, str, Value]]:
    """Yield time (ms), point and value every ``every`` ms for ``duration`` ms.

    A point whose controller is silent or garbles its replies gives ``None``, as does a dead gauge.
    """
    start = stage.scenario.plant.start
    controllers = _controllers(stage)
    for time in range(start, start + duration, every):
        stage.advance_to(time)
        for controller in controllers:
            for point, value in controller.answer().items():
                yield time, point, value


def polls(
    stage: Stage, duration: int, paces: Mapping[str, int],
) -> Iterator[tuple[int, list[tuple[str, dict[str, Value]]]]]:
    """Yield time (ms) and the values of devices polled then, each at its own interval (ms).

    Every pace must be a multiple of the shortest. A device that gives no answer has ``None`` for
    every point. The plant does not advance while the caller reads it.
    """
    start = stage.scenario.plant.start
    controllers = [(controller, paces[controller.spec.device])
                   for controller in _controllers(stage)]
    least = min(paces.values())
    for time in range(start, start + duration, least):
        stage.advance_to(time)
        yield time, [(controller.spec.device, controller.answer()) for controller,
                     pace in controllers
                     if (time - start) % pace == 0]


def record(scenario: Scenario, out: TextIO, *, duration: int, every: int) -> int:
    """Write recorded readings as CSV; return the number of rows."""
    out.write("time,point,value\n")
    count, last, text = 0, -1, ""
    for time, point, value in rows(Stage(scenario), duration, every):
        if time != last:
            last, text = time, format_instant(time)
        out.write(f"{text},{point},{_shown(value)}\n")
        count += 1
    return count


def record_to(scenario: Scenario, path: Path, *, duration: int, every: int) -> int:
    """Write recorded readings to a file; return the number of rows."""
    with path.open("w", encoding="utf-8", newline="\n") as out:
        return record(scenario, out, duration=duration, every=every)


def _shown(value: Value) -> str:
    if value is None:
        return ""
    return value if isinstance(value, str) else f"{value:.10g}"
