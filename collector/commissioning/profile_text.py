"""Writes the points found as a device profile and a site file that a technician can read."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from collector.commissioning.decodings import Decoding
from collector.commissioning.matching import Candidate
from collector.commissioning.states import BitPlace, CodedPlace
from collector.domain.readings import QUANTITIES, point_kind, split_point

_GROUPS = ("site", "generators", "risers", "vents", "rooms", "recipients")


@dataclass(kw_only=True)
class FoundPoint:
    """A point with its place in a device, and where that knowledge came from. Plain JSON."""

    point: str
    keys: dict[str, Any]
    """The keys of the profile's point."""
    came_from: list[str] = field(default_factory=list)
    doubt: str = ""
    """Why it may be wrong; empty where nothing speaks against it."""

    @classmethod
    def of_candidate(cls, point: str, candidate: Candidate) -> FoundPoint:
        """Return the point for a matched register."""
        one = candidate.decoding
        keys: dict[str, Any] = {"table": candidate.table, "address": candidate.address,
                                "type": one.type}
        if one.width > 1:
            keys["word_order"] = one.word_order
        keys["byte_order"] = one.byte_order
        keys |= _scaling(one)
        return cls(point=point, keys=keys)

    @classmethod
    def of_bit(cls, point: str, place: BitPlace) -> FoundPoint:
        """Return the point for a bit that follows a contact."""
        if place.bit is None:
            leg = "normally_closed" if place.inverted else "normally_open"
            keys: dict[str, Any] = {leg: {"table": place.table, "address": place.address}}
        else:
            keys = {"table": place.table, "address": place.address, "type": "bit",
                    "bit": place.bit, "byte_order": "high-first"}
            if place.inverted:
                keys["values"] = {"0": 1, "1": 0}
        return cls(point=point, keys=keys | {"debounce": "1 s"})

    @classmethod
    def of_legs(cls, point: str, opened: BitPlace, closed: BitPlace) -> FoundPoint:
        """Return the point for a form C contact."""
        legs = {name: {"table": place.table, "address": place.address}
                for name, place in (("normally_open", opened), ("normally_closed", closed))}
        return cls(point=point, keys=legs | {"debounce": "1 s"})

    @classmethod
    def of_codes(cls, point: str, place: CodedPlace) -> FoundPoint:
        """Return the point for a register whose numbers stand for words."""
        return cls(point=point, keys={
            "table": place.table, "address": place.address, "type": "uint16",
            "byte_order": "high-first", "values": {str(code): word for code, word in place.words}})

    def as_json(self) -> dict[str, Any]:
        return asdict(self)

    @property
    def where(self) -> str:
        keys = self.keys
        legs = [f"{keys[name]['table']} {keys[name]['address']}"
                for name in ("normally_open", "normally_closed") if name in keys]
        if legs:
            return " and ".join(legs)
        bit = f" bit {keys['bit']}" if "bit" in keys else ""
        order = ", low word first" if keys.get("word_order") == "low-first" else ""
        swap = ", low byte first" if keys.get("byte_order") == "low-first" else ""
        scale = f" x {keys['scale']:g}" if keys.get("scale", 1) != 1 else ""
        return f"{keys['table']} {keys['address']}{bit} {keys['type']}{order}{swap}{scale}"


def _scaling(one: Decoding) -> dict[str, Any]:
    if one.unit == "% N2":  # nitrogen, where the point is oxygen
        return {"scale": -one.scale, "offset": 100.0, "unit": "%"}
    keys: dict[str, Any] = {"scale": one.scale} if one.scale != 1 else {}
    return keys | ({"unit": one.unit} if one.unit else {})


def profile_text(
    name: str, points: Sequence[FoundPoint], watches: Sequence[str], kinds: Mapping[str, str], *,
    head: bool = True,
) -> str:
    """Return a profile, or with ``head=False`` the points to append to one.

    ``watches`` are the device's in their order, ``kinds`` the kind of each: a profile knows
    quantities, and of two risers the second is its ``nth``.
    """
    parts = []
    if head:
        parts.append(
            "# Written by quietpipe commission: every point below was matched with what the\n"
            "# controller's display showed. Addresses are zero-based, as they go on the wire.\n\n"
            f"[profile]\nname = {_value(name)}\n")
    for point in points:
        asset, quantity = split_point(point.point)
        lines = [f"# {line}" for line in point.came_from]
        if point.doubt:
            lines.append(f"# DOUBT: {point.doubt}")
        lines += ["[[points]]", f"quantity = {_value(quantity)}"]
        kind = kinds[asset]
        among = [k for k in QUANTITIES if point_kind(k, quantity) is not None]
        if len(among) > 1:
            lines.append(f"kind = {_value(kind)}")
        nth = [a for a in watches if kinds[a] == kind].index(asset) + 1
        if nth > 1:
            lines.append(f"nth = {nth}")
        lines += [f"{key} = {_value(value)}" for key, value in point.keys.items()]
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)


def device_table(device: Mapping[str, Any], came_from: str) -> str:
    """Return a ``[[devices]]`` table with a comment."""
    return f"# {came_from}\n" + _table("[[devices]]", device)


def site_text(raw: Mapping[str, Any], came_from: str) -> str:
    """Return a site file of the tables that were asked for."""
    parts = [f"# {came_from}\n# quietpipe explain site-file says what else can stand here.\n"]
    for group in _GROUPS:
        tables = raw.get(group, [])
        if isinstance(tables, Mapping):
            parts.append(_table(f"[{group}]", tables))
        else:
            parts += [_table(f"[[{group}]]", table) for table in tables]
    return "\n".join(parts)


def _table(header: str, table: Mapping[str, Any]) -> str:
    return "\n".join([header, *(f"{key} = {_value(value)}" for key, value in table.items())]) + "\n"


def _value(value: Any) -> str:
    """Write a value as TOML."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, int | float):
        return repr(value)
    text = str(value).replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c >= " " else f"\\u{ord(c):04x}" for c in text) + '"'


def point_key(point: str, known: Iterable[str]) -> str:
    """Return a point's name in a register image: its quantity, and which of several it is."""
    asset, name = split_point(point)
    owners = [split_point(p)[0] for p in known if split_point(p)[1] == name]
    nth = owners.index(asset) + 1
    return name if nth == 1 else f"{name}.{nth}"
