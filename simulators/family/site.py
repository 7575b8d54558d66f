"""The site file and device profiles of a drawn plant, as a technician would have written them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from collector.domain.readings import QUANTITIES
from simulators.family.specs import GALLON, Device, Generator, Riser, Room, scf

__all__ = ["profile_text", "site_tables", "toml_text"]


def _flow(moles: float, kelvin: float) -> str:
    return f"{scf(moles, kelvin) * 60.0:.3g} scfm"


def site_tables(
    *, name: str, start: int, altitude: float, timezone: str, standard_temperature: float,
    generators: Sequence[Generator], risers: Sequence[Riser], rooms: Sequence[Room],
    devices: Sequence[Device], oxygen_limits: Sequence[float],
) -> dict[str, Any]:
    """Return the site file as ``tomllib`` would load it."""
    kelvin = standard_temperature + 273.15
    day = dt.datetime.fromtimestamp(start / 1000.0, dt.UTC).date() - dt.timedelta(days=90)
    tables: dict[str, Any] = {
        "site": {"id": name, "name": name, "timezone": timezone, "altitude": f"{altitude:.0f} m",
                 "standard_temperature": f"{standard_temperature:.4f} degC"},
        "generators": [], "risers": [], "vents": [], "rooms": [{"id": r.id} for r in rooms],
        "devices": [],
    }
    for unit, limit in zip(generators, oxygen_limits, strict=True):
        mean = unit.delivery * (1.0 - unit.pressure_loss * 0.9) * 0.97
        table: dict[str, Any] = {
            "id": unit.id, "tank_volume": f"{unit.tank_volume / GALLON:.0f} gal",
            "cut_in": f"{unit.cut_in:g} psi", "cut_out": f"{unit.cut_out:g} psi",
            "product_oxygen_limit": f"{100.0 * limit:g} %",
        }
        if unit.listed_delivery:
            table["nitrogen_delivery"] = _flow(mean, kelvin)
        if unit.air_fill_below is not None:
            table["air_fill_below"] = f"{unit.air_fill_below:g} psi"
            if unit.listed_delivery:
                table["compressor_delivery"] = _flow(mean * unit.air_ratio, kelvin)
        if unit.service_hours is not None:
            every = min(2000.0, unit.service_hours)  # the first may come sooner
            table |= {"service_every": f"{every:g} h",
                      "last_service_hours": f"{unit.service_hours - every:.1f} h",
                      "last_service": day}
        tables["generators"].append(table)
    for riser in risers:
        tables["risers"].append({
            "id": riser.id, "fed_by": generators[riser.fed_by].id,
            "volume": f"{riser.volume / GALLON:.0f} gal",
            "supervisory_pressure": f"{riser.setting:g} psi",
            "low_pressure": f"{riser.low:g} psi", "high_pressure": f"{riser.high:g} psi"})
        vent = riser.vent
        if vent is not None:
            listed: dict[str, Any] = {"id": vent.id, "riser": riser.id,
                                      "target_oxygen": f"{100.0 * vent.target:g} %"}
            if vent.listed_flow:
                listed["flow"] = _flow(vent.flow, kelvin)
            tables["vents"].append(listed)
    for number, device in enumerate(devices):
        tables["devices"].append({
            "id": device.id, "address": f"tcp://192.0.2.{10 + number}:502",  # RFC 5737
            "profile": f"{device.id}.toml", "every": f"{device.every} s",
            "watches": device.watches[0] if len(device.watches) == 1 else list(device.watches)})
    return {key: value for key, value in tables.items() if value}


def _kind(thing: str, kinds: Mapping[str, str]) -> str:
    return kinds[thing]


def profile_text(device: Device, kinds: Mapping[str, str]) -> str:
    """Return the device profile: one register or input after the other."""
    lines = ["[profile]", f'name = "{device.id}"']
    nth: dict[str, int] = {}
    seen: dict[str, int] = {}
    for thing in device.watches:
        kind = _kind(thing, kinds)
        seen[kind] = seen.get(kind, 0) + 1
        nth[thing] = seen[kind]
    address = 0
    for point in device.points:
        thing, quantity = point.split(".")
        if quantity.endswith(("_no", "_nc")):
            continue
        kind = kinds[thing]
        lines += ["", "[[points]]", f'quantity = "{quantity}"', f'kind = "{kind}"',
                  f"nth = {nth[thing]}"]
        what = QUANTITIES[kind][quantity]
        if f"{point}_no" in device.points:
            lines += [f'normally_open = {{ table = "discrete-inputs", address = {address} }}',
                      f'normally_closed = {{ table = "discrete-inputs", address = {address + 1} }}']
        elif what.is_contact:
            lines += ['table = "discrete-inputs"', f"address = {address}"]
        elif what.unit == "mode":
            lines += ['table = "input-registers"', f"address = {address}",
                      'values = { 0 = "off", 1 = "nitrogen", 2 = "air-fill" }']
        else:
            lines += ['table = "input-registers"', f"address = {address}", 'type = "float32"']
        address += 2
    return "\n".join(lines) + "\n"


def toml_text(tables: Mapping[str, Any]) -> str:
    """Return site tables as TOML."""
    lines: list[str] = []
    for key, value in tables.items():
        for table in value if isinstance(value, list) else [value]:
            lines += ["", f"[[{key}]]" if isinstance(value, list) else f"[{key}]"]
            lines += [f"{name} = {_shown(field)}" for name, field in table.items()]
    return "\n".join(lines[1:]) + "\n"


def _shown(value: object) -> str:
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_shown(item) for item in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float | dt.date):
        return str(value)
    return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'
