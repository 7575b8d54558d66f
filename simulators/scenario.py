"""A scenario file: the plant, how it is wired, and what happens to it when."""

from __future__ import annotations

import copy
import dataclasses
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from collector.clock import parse_instant
from simulators.registers import REGISTER_SETS
from simulators.specs import GeneratorSpec, PlantSpec, RiserSpec, RoomSpec, VentSpec
from simulators.units import ScenarioError, parse

__all__ = ["FOLDER", "Act", "Person", "Scenario", "Serve", "UnitSpec", "bundled", "load_scenario",
           "read_scenario"]

FOLDER = Path(__file__).parent / "scenarios"
_Spec = TypeVar("_Spec")


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitSpec:
    """One controller: device id, unit number, register set, what it is connected to."""

    device: str
    unit: int
    registers: str
    watches: tuple[str, ...]
    powered_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Serve:
    """One line. ``kind`` is ``tcp``, ``rtu`` or ``rtu+tcp``; port 0 takes any free one."""

    id: str
    kind: str = "tcp"
    port: int = 0
    path: str = "pty"
    baud: int = 19200
    parity: str = "even"
    units: tuple[UnitSpec, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """One order of the scenario, ``at`` ms after its start."""

    at: int
    fault: str
    on: bool
    params: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """A person who acknowledges an alarm, ``at`` ms after the start or as soon as it is raised."""

    at: int
    acknowledges: str
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One scenario. ``duration`` in ms; ``site`` is the site file's text with its placeholders."""

    name: str
    story: str
    speed: float
    duration: int
    plant: PlantSpec
    serve: tuple[Serve, ...] = ()
    acts: tuple[Act, ...] = ()
    people: tuple[Person, ...] = ()
    site: str = ""


def bundled() -> tuple[str, ...]:
    """Return the names of the scenarios that come with the project."""
    return tuple(sorted(p.stem for p in FOLDER.glob("*.toml") if not p.stem.endswith(".site")))


def load_scenario(name: str | Path, *, seed: int | None = None,
                  speed: float | None = None) -> Scenario:
    """Load a bundled scenario by name, or one by its path.

    Raises :class:`ScenarioError` naming the file and what is wrong in it.
    """
    path = FOLDER / f"{name}.toml" if str(name) in bundled() else Path(name)
    try:
        tables = tomllib.loads(path.read_text(encoding="utf-8"))
        return _scenario(tables, path.parent, seed, speed)
    except FileNotFoundError as error:
        raise ScenarioError(f"{name}: there is no such file, and no bundled scenario of that name "
                            f"(there are: {', '.join(bundled())})") from error
    except (tomllib.TOMLDecodeError, ScenarioError, TypeError) as error:
        raise ScenarioError(f"{path}: {error}") from error


def read_scenario(tables: Mapping[str, Any], *, seed: int | None = None) -> Scenario:
    """Read a scenario from its tables, as a file would hold them. Raises :class:`ScenarioError`."""
    try:
        return _scenario(copy.deepcopy(dict(tables)), FOLDER, seed, None)
    except TypeError as error:
        raise ScenarioError(str(error)) from error


def _scenario(tables: dict[str, Any], folder: Path, seed: int | None,
              speed: float | None) -> Scenario:
    head = tables.pop("scenario")
    general = tables.pop("plant", {})
    try:
        start = parse_instant(head.pop("start"))
    except ValueError as error:
        raise ScenarioError(f"scenario.start: {error}") from error
    plant = _spec(PlantSpec, {
        **general, "seed": head.pop("seed", 1) if seed is None else seed, "start": start,
        "generators": _specs(GeneratorSpec, tables.pop("generators", [])),
        "risers": _specs(RiserSpec, tables.pop("risers", [])),
        "vents": _specs(VentSpec, tables.pop("vents", [])),
        "rooms": _specs(RoomSpec, tables.pop("rooms", [])),
    })
    head.pop("seed", None)
    _check_plant(plant)
    site = head.pop("site", None)
    own_speed = float(head.pop("speed", 1.0))
    scenario = Scenario(
        name=head.pop("name"), story=head.pop("story").strip(),
        speed=own_speed if speed is None else speed,
        duration=_milliseconds(head.pop("duration", "1 d")), plant=plant,
        serve=tuple(_serve(t) for t in tables.pop("serve", [])),
        acts=tuple(sorted((_act(t) for t in tables.pop("act", [])), key=lambda a: a.at)),
        people=tuple(_person(t) for t in tables.pop("person", [])),
        site=(folder / site).read_text(encoding="utf-8") if site else "",
    )
    if tables or head:
        raise ScenarioError(f"unknown keys: {', '.join([*tables, *head])}")
    return scenario


def _milliseconds(text: object) -> int:
    return round(parse(text, "duration") * 1000)


def _specs(kind: type[_Spec], tables: Sequence[dict[str, Any]]) -> tuple[_Spec, ...]:
    return tuple(_spec(kind, table) for table in tables)


def _spec(kind: type[_Spec], table: Mapping[str, Any]) -> _Spec:
    dimensions = {f.name: f.metadata.get("as") for f in dataclasses.fields(kind)}  # type: ignore[arg-type]
    values: dict[str, Any] = {}
    for key, value in table.items():
        if key not in dimensions:
            raise ScenarioError(f"{kind.__name__}: unknown key {key!r}")
        dimension = dimensions[key]
        values[key] = parse(value, dimension) if dimension else value
    return kind(**values)


def _check_plant(plant: PlantSpec) -> None:
    generators = {g.id for g in plant.generators}
    risers = {r.id for r in plant.risers}
    for riser in plant.risers:
        if riser.fed_by not in generators:
            raise ScenarioError(f"riser {riser.id}: fed_by {riser.fed_by!r} is no generator")
    for vent in plant.vents:
        if vent.riser not in risers:
            raise ScenarioError(f"vent {vent.id}: {vent.riser!r} is no riser")


def _serve(table: dict[str, Any]) -> Serve:
    units = tuple(_unit(u) for u in table.pop("units", []))
    serve = Serve(**table, units=units)
    if serve.kind not in ("tcp", "rtu", "rtu+tcp"):
        raise ScenarioError(f"serve {serve.id}: kind {serve.kind!r} is none of tcp, rtu, rtu+tcp")
    return serve


def _unit(table: dict[str, Any]) -> UnitSpec:
    watches = table.pop("watches")
    unit = UnitSpec(**table, watches=(watches,) if isinstance(watches, str) else tuple(watches))
    if unit.registers not in REGISTER_SETS:
        raise ScenarioError(f"device {unit.device}: no register set {unit.registers!r} "
                            f"(there are: {', '.join(REGISTER_SETS)})")
    return unit


def _act(table: dict[str, Any]) -> Act:
    return Act(at=_milliseconds(table.pop("at")), fault=table.pop("fault"),
               on=table.pop("on", True), params=table)


def _person(table: dict[str, Any]) -> Person:
    return Person(at=_milliseconds(table.pop("at")), **table)
