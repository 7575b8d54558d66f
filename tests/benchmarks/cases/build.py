"""Write plants down: things, sites and orders with defaults, in the words of the files."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from collector.config import SiteConfig, load_site
from collector.domain.conditions import CATALOGUE
from simulators.scenario import Scenario, read_scenario
from simulators.serving import write_profiles
from tests.benchmarks.cases.shape import Case, Dev, Tables

__all__ = ["act", "generator", "hours", "load", "minutes", "off", "plant", "riser", "room",
           "scenario_of", "site_of", "vent"]

_SITE_KEYS = {
    "generators": ("id", "tank_volume", "cut_in", "cut_out", "air_fill_below"),
    "risers": ("id", "fed_by", "volume", "supervisory_pressure", "low_pressure", "high_pressure"),
    "vents": ("id", "riser", "target_oxygen", "flow"),
    "rooms": ("id",),
}


def minutes(number: float) -> int:
    """Return minutes in ms."""
    return round(number * 60_000)


def hours(number: float) -> int:
    """Return hours in ms."""
    return round(number * 3_600_000)


def generator(id: str = "gen1", **over: Any) -> Tables:  # noqa: A002
    """Return a small unit. ``site`` are keys for the site file alone; ``None`` leaves one out."""
    return {"id": id, "tank_volume": "60 gal", "cut_in": "60 psi", "cut_out": "80 psi",
            "air_fill_below": "55 psi", "tank_start": "72 psi", **over}


def riser(id: str = "r1", **over: Any) -> Tables:  # noqa: A002
    """Return a riser of 450 gal at 25 psi."""
    return {"id": id, "fed_by": "gen1", "volume": "450 gal", "supervisory_pressure": "25 psi",
            "low_pressure": "18 psi", "high_pressure": "40 psi", **over}


def vent(id: str = "r1-vent", **over: Any) -> Tables:  # noqa: A002
    """Return a vent of riser ``r1``."""
    return {"id": id, "riser": "r1", "target_oxygen": "2 %", "flow": "0.35 scfm", **over}


def room(id: str = "plant-room", **over: Any) -> Tables:  # noqa: A002
    """Return a room."""
    return {"id": id, **over}


def act(at: int, fault: str, **params: Any) -> Tables:
    """Order a fault at ``at`` ms."""
    return {"at": f"{at / 1000:.3f} s", "fault": fault, **params}


def off(at: int, fault: str, **params: Any) -> Tables:
    """Order its end."""
    return {"at": f"{at / 1000:.3f} s", "fault": fault, "on": False, **params}


def plant(
    *, generators: Sequence[Tables] = (), risers: Sequence[Tables] = (),
    vents: Sequence[Tables] = (), rooms: Sequence[Tables] = (), units: str = "us",
    timezone: str = "Europe/London", altitude: str = "0 m", **general: Any,
) -> dict[str, Tables]:
    """Return ``tables`` and ``site`` of a :class:`Case` from the same things."""
    groups = {"generators": generators, "risers": risers, "vents": vents, "rooms": rooms}
    tables: Tables = {"plant": general}
    site: Tables = {"site": {"id": "case", "name": "The case", "timezone": timezone,
                             "altitude": altitude, "units": units}}
    for kind, things in groups.items():
        tables[kind] = [{k: v for k, v in t.items() if k != "site"} for t in things]
        told = [{**{k: t[k] for k in _SITE_KEYS[kind] if k in t}, **t.get("site", {})}
                for t in things]
        site[kind] = [{k: v for k, v in t.items() if v is not None} for t in told]
    return {"tables": tables, "site": site}


def scenario_of(case: Case, seed: int) -> Scenario:
    """Return the scenario that plays the case."""
    units = [{"device": d.id, "unit": n, "registers": d.registers, "watches": list(d.watches),
              "powered_by": d.powered_by} for n, d in enumerate(case.devices, 1)]
    return read_scenario({
        "scenario": {"name": "case", "story": "a case", "start": case.start,
                     "duration": f"{case.duration / 1000} s"},
        **case.tables, "serve": [{"id": "tcp-1", "units": units}], "act": list(case.acts),
    }, seed=seed)


def site_of(case: Case) -> tuple[str, list[str]]:
    """Return the site file's text, and the settings it leaves out as nobody knows them yet."""
    settings, unknown = _settings(case.settings)
    devices = [_device(d, n) for n, d in enumerate(case.devices, 1)]
    tables: Tables = {**case.site, "devices": devices}
    lines: list[str] = []
    for name, value in tables.items():
        for table in [value] if isinstance(value, Mapping) else value:
            lines.append(f"[{name}]" if isinstance(value, Mapping) else f"[[{name}]]")
            lines += [f"{key} = {_toml(item)}" for key, item in table.items()]
    for name, given in settings.items():
        lines.append(f"[conditions.{name}]")
        lines += [f"{key} = {_toml(item)}" for key, item in given.items()]
    return "\n".join(lines) + "\n", unknown


def _toml(value: Any) -> str:
    # Texts, numbers, flags and lists of them are written alike in JSON and TOML.
    return json.dumps(value)


def _device(device: Dev, number: int) -> Tables:
    return {"id": device.id, "address": "tcp://127.0.0.1:502", "unit": number,
            "profile": f"{device.registers}.toml", "every": f"{device.every} ms",
            "watches": list(device.watches)}


def _settings(given: Mapping[str, Mapping[str, Any]]) -> tuple[dict[str, Tables], list[str]]:
    known: dict[str, Tables] = {}
    unknown: list[str] = []
    for name, values in given.items():
        condition = CATALOGUE[name.partition(".")[0]]
        names = {s.name for s in condition.all_settings()}
        known[name] = {k: v for k, v in values.items() if k in names}
        unknown += [f"{name}.{k}" for k in values if k not in names]
    return known, unknown


def load(case: Case) -> tuple[SiteConfig, list[str]]:
    """Write the site file and read it as the program does; return it and what was left out."""
    text, unknown = site_of(case)
    with tempfile.TemporaryDirectory() as folder:
        write_profiles(Path(folder))
        path = Path(folder) / "site.toml"
        path.write_text(text, encoding="utf-8")
        return load_site(path, secrets=False), unknown
