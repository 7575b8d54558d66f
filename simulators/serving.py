"""Serves a scenario on its lines; writes its device profiles and a site file with addresses."""

from __future__ import annotations

import asyncio
import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from collector.clock import Clock
from simulators.registers import REGISTER_SETS, RegisterPoint, RegisterSet, assign
from simulators.scenario import Scenario, Serve, UnitSpec
from simulators.server import Line, SerialLine, TcpLine, Unit
from simulators.stage import Stage
from simulators.units import ScenarioError
from simulators.wire import TABLES

FOLDER = Path(__file__).parent / "profiles"


def profile_text(registers: RegisterSet, points: Sequence[RegisterPoint] | None = None) -> str:
    """Return the profile of a register set as TOML."""
    chosen = registers.points if points is None else points
    head = [
        "# Written from simulators/registers.py; a test holds the two together.",
        "[profile]",
        f'name = "{registers.title}"',
        f'word_order = "{registers.word_order}"',
        'byte_order = "high-first"',
    ]
    return "\n".join(head + [line for p in chosen for line in _point_lines(p)]) + "\n"


def _point_lines(point: RegisterPoint) -> list[str]:
    lines = ["", "[[points]]", f'quantity = "{point.quantity}"', f'kind = "{point.kind}"']
    if point.nth > 1:
        lines.append(f"nth = {point.nth}")
    if point.normally_open is not None:
        for name, address in (("normally_open", point.normally_open),
                              ("normally_closed", point.normally_closed)):
            lines.append(f'{name} = {{ table = "discrete-inputs", address = {address} }}')
        return lines
    lines += [f'table = "{point.table}"', f"address = {point.address}", f'type = "{point.type}"']
    if point.scale != 1.0:
        lines.append(f"scale = {point.scale}")
    if point.unit:
        lines.append(f'unit = "{point.unit}"')
    if point.values is not None:
        coded = ", ".join(f'{raw} = "{word}"' for raw, word in point.values.items())
        lines.append(f"values = {{ {coded} }}")
    if point.invalid is not None:
        lines.append(f"invalid = [{point.invalid}]")
    if point.range is not None:
        lines.append(f"range = [{point.range[0]:g}, {point.range[1]:.0f}]")
    return lines


def write_profiles(folder: Path) -> None:
    """Write every profile into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    for registers in REGISTER_SETS.values():
        (folder / registers.file_name).write_text(profile_text(registers), encoding="utf-8")


__all__ = ["Serving", "ServingStatistics", "cancel", "fill_in_site", "ready_line", "write_site"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ServingStatistics:
    """Steps of the plant, requests to its units, and those that were no read (always refused)."""

    steps: int
    requests: int
    refused: int


class Serving:
    """The lines of a scenario, open. The plant catches up with the clock at every request."""

    def __init__(self, stage: Stage, clock: Clock) -> None:
        self.stage = stage
        self._clock = clock
        self.units = {u.device: self._unit(u) for s in stage.scenario.serve for u in s.units}
        self.lines: dict[str, Line] = {s.id: self._line(s) for s in stage.scenario.serve}

    @property
    def addresses(self) -> dict[str, str]:
        """Line id to address, as a site file writes it; true once open."""
        return {name: line.address for name, line in self.lines.items()}

    async def open(self) -> None:
        for line in self.lines.values():
            await line.open()

    async def close(self) -> None:
        for line in self.lines.values():
            await line.close()

    def statistics(self) -> ServingStatistics:
        asked: Counter[int] = Counter()
        for unit in self.units.values():
            asked += unit.faults.asked
        return ServingStatistics(
            steps=self.stage.plant.steps, requests=asked.total(),
            refused=sum(n for code, n in asked.items() if code not in TABLES),
        )

    def __repr__(self) -> str:
        return f"Serving({self.stage.scenario.name}, {', '.join(self.addresses.values())})"

    def catch_up(self) -> None:
        """Let the plant's time pass up to the clock's."""
        self.stage.advance_to(self._clock.now())

    async def keep_up(self, every: int) -> None:
        """Catch up every ``every`` ms of the clock, so that orders are carried out."""
        while True:
            self.catch_up()
            await self._clock.sleep(every)

    def _unit(self, spec: UnitSpec) -> Unit:
        registers = REGISTER_SETS[spec.registers]
        return Unit(
            device=spec.device, number=spec.unit, registers=registers, bench=self.stage.bench,
            pairs=assign(registers.points, spec.watches, self.stage.kind_of),
            powered_by=spec.powered_by, faults=self.stage.bench.units[spec.device],
        )

    def _line(self, serve: Serve) -> Line:
        units = [self.units[u.device] for u in serve.units]
        if serve.kind == "rtu":
            return SerialLine(units, self.catch_up, path=serve.path, baud=serve.baud,
                              parity=serve.parity)
        return TcpLine(units, self.catch_up, rtu=serve.kind == "rtu+tcp", port=serve.port)


def fill_in_site(scenario: Scenario, addresses: Mapping[str, str]) -> str:
    """Return the scenario's site file with the real addresses in place of ``{line-id}``."""
    text = scenario.site
    for name, address in addresses.items():
        text = text.replace("{" + name + "}", address)
    return text


def write_site(scenario: Scenario, addresses: Mapping[str, str], folder: Path) -> Path:
    """Write the site file and the device profiles into ``folder``; return the site file's path."""
    if not scenario.site:
        raise ScenarioError(f"scenario {scenario.name} names no site file")
    write_profiles(folder)
    path = folder / "site.toml"
    path.write_text(fill_in_site(scenario, addresses), encoding="utf-8")
    return path


def ready_line(scenario: Scenario, addresses: Mapping[str, str], *, started: int,
               site: Path | None) -> str:
    """Return the line of JSON that announces that the plant is ready, and how to read it."""
    origin = scenario.plant.start
    facts: dict[str, Any] = {
        "ready": True, "addresses": dict(addresses), "origin": origin, "speed": scenario.speed,
        "started": started, "site": None if site is None else str(site),
        "people": [{"at": origin + p.at, "acknowledges": p.acknowledges, "by": p.by}
                   for p in scenario.people],
    }
    return json.dumps(facts)


async def cancel(task: asyncio.Task[None]) -> None:
    """End a task and wait until it has."""
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
