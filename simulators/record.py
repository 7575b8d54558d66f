"""The plant without a wire: recorded readings, as fast as they can be computed."""

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
class _Teller:
    """One controller as a recorder has it: its points, and what it last told."""

    stage: Stage
    spec: UnitSpec
    points: tuple[str, ...]
    told: dict[str, Value] = field(default_factory=dict)

    def tell(self) -> dict[str, Value]:
        """Return what a collector would have had of it now: nothing, where it gives no answer."""
        faults = self.stage.bench.units[self.spec.device]
        power = self.stage.plant.generators.get(self.spec.powered_by)
        if (faults.silent or faults.exception or faults.short or faults.other_unit
                or (power is not None and power.faults.power_off)):
            return dict.fromkeys(self.points)
        if not (faults.frozen and self.told):
            self.told = {point: self._read(point) for point in self.points}
        return self.told

    def _read(self, point: str) -> Value:
        gauges = self.stage.gauges
        if f"{point}_no" not in self.points:
            return gauges.read(point)
        closed, other = gauges.read(f"{point}_no"), gauges.read(f"{point}_nc")
        # Both legs alike: the contact says nothing, and the legs say why.
        return closed if closed != other else None


def _tellers(stage: Stage) -> list[_Teller]:
    specs = [u for s in stage.scenario.serve for u in s.units]
    if not specs:  # a plant without wires is read directly
        whole = UnitSpec(device="", unit=0, registers="", watches=())
        stage.bench.units.setdefault("", UnitFaults())
        return [_Teller(stage, whole, stage.gauges.points)]
    tellers = []
    for spec in specs:
        points: list[str] = []
        for registers, point in assign(REGISTER_SETS[spec.registers].points, spec.watches,
                                       stage.kind_of):
            points.append(point)
            if registers.normally_open is not None:
                points += [f"{point}_no", f"{point}_nc"]
        tellers.append(_Teller(stage, spec, tuple(points)))
    return tellers


def rows(stage: Stage, duration: int, every: int) -> Iterator[tuple[int, str, Value]]:
    """Yield time (ms), point and value every ``every`` ms for ``duration`` ms.

    A point whose controller is silent or talks nonsense gives ``None``, as does a dead gauge.
    """
    start = stage.scenario.plant.start
    tellers = _tellers(stage)
    for time in range(start, start + duration, every):
        stage.advance_to(time)
        for teller in tellers:
            for point, value in teller.tell().items():
                yield time, point, value


def polls(
    stage: Stage, duration: int, paces: Mapping[str, int],
) -> Iterator[tuple[int, list[tuple[str, dict[str, Value]]]]]:
    """Yield time (ms) and what devices told then, each at its own pace (ms).

    Every pace must be a multiple of the shortest. A device that gives no answer has ``None`` for
    every point. The plant stands at that time while the caller looks.
    """
    start = stage.scenario.plant.start
    tellers = [(teller, paces[teller.spec.device]) for teller in _tellers(stage)]
    least = min(paces.values())
    for time in range(start, start + duration, least):
        stage.advance_to(time)
        yield time, [(teller.spec.device, teller.tell()) for teller, pace in tellers
                     if (time - start) % pace == 0]


def record(scenario: Scenario, out: TextIO, *, duration: int, every: int) -> int:
    """Write recorded readings as CSV; return the number of rows."""
    out.write("time,point,value\n")
    count, told, text = 0, -1, ""
    for time, point, value in rows(Stage(scenario), duration, every):
        if time != told:
            told, text = time, format_instant(time)
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
