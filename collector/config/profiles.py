"""Device profiles: the registers of each quantity, read once per file.

A profile names quantities, not assets: the asset of a quantity follows from the device's
``watches`` in the site file (:mod:`collector.config.devices`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

import collector
from collector.config.diagnostics import Diagnostics, Key, Source, nearest, read_text
from collector.config.field_types import Table, Text, sized
from collector.config.schema import parse_toml, read_tables
from collector.domain.readings import MODES, QUANTITIES
from collector.domain.units import plain_number

BUNDLED = Path(collector.__file__).parent / "profiles"

BIT_TABLES = ("coils", "discrete-inputs", "lines")
_WIDTH = {"int16": 1, "uint16": 1, "bit": 1, "int32": 2, "uint32": 2, "float32": 2,
          "int64": 4, "uint64": 4, "float64": 4}

TableName = Literal["coils", "discrete-inputs", "input-registers", "holding-registers", "lines"]
TypeName = Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64",
                   "bit", "text"]
Order = Literal["high-first", "low-first"]
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
_SMALLEST_SCALE, _LARGEST = 1e-12, 1e12
"""Beyond these a scale or an offset is a slip of the pen: a value would be none that can be."""
WireAddress = Annotated[int, Field(ge=0, le=65535, strict=True)]


class HeadTable(Table):
    """``[profile]``."""

    name: Text | None = None
    extends: Text | None = None
    omits: list[Text] = []
    word_order: Order = "high-first"
    byte_order: Order = "high-first"


class LegTable(Table):
    """One leg of a contact."""

    needs = ("address",)
    table: Literal["coils", "discrete-inputs", "lines"] = "discrete-inputs"
    address: WireAddress = 0
    inverted: bool = False


class PointTable(Table):
    """``[[points]]``."""

    needs = ("quantity",)
    quantity: Text = ""
    kind: Literal["generator", "riser", "vent", "room"] | None = None
    nth: Annotated[int, Field(ge=1, strict=True)] = 1
    table: TableName | None = None
    address: WireAddress | None = None
    type: TypeName | None = None
    length: Annotated[int, Field(ge=1, le=125, strict=True)] = 1
    bit: Annotated[int, Field(ge=0, le=15, strict=True)] | None = None
    word_order: Order | None = None
    byte_order: Order | None = None
    scale: Number = 1.0
    offset: Number = 0.0
    unit: str | None = None
    invalid: list[Number] = []
    range: Annotated[list[Number], Field(min_length=2, max_length=2)] | None = None
    values: dict[str, str | Number] = {}
    normally_open: LegTable | None = None
    normally_closed: LegTable | None = None
    debounce: Annotated[int, sized("duration", 0)] = 0

    @property
    def has_legs(self) -> bool:
        """Whether the point is described by the legs of a contact."""
        return self.normally_open is not None or self.normally_closed is not None


class ProfileFile(Table):
    """The whole device profile."""

    profile: HeadTable = HeadTable()
    points: list[PointTable] = []


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfilePoint:
    """A point of a profile, with the file and key that describe it."""

    source: Source
    key: Key
    table: PointTable

    @property
    def identity(self) -> tuple[str, str | None, int]:
        """Quantity, kind and number, which no two points of a profile share."""
        return self.table.quantity, self.table.kind, self.table.nth


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """A profile as read, with its file for later mistakes."""

    source: Source
    head: HeadTable
    points: Sequence[ProfilePoint]
    """Its own, and those of the profile that it extends."""


def quantity_names() -> set[str]:
    """Return every quantity a profile may name, legs included."""
    names = {q for group in QUANTITIES.values() for q in group}
    legs = {f"{name}{leg}" for group in QUANTITIES.values() for name, q in group.items()
            if q.is_contact for leg in ("_no", "_nc")}
    return names | legs


class Profiles:
    """Finds and reads profiles: beside the site file, in the site-wide folder, in the package."""

    def __init__(self, folder: Path, mistakes: Diagnostics, shared: Path | None = None) -> None:
        self._folders = tuple(f for f in (folder, shared, BUNDLED) if f is not None)
        self._mistakes = mistakes
        self._read: dict[str, Profile | None] = {}
        self._extending: list[str] = []
        self.contents: dict[str, bytes] = {}
        """The bytes of each profile by name, for the digest."""

    def get(self, name: str, user: Source, key: Key) -> Profile | None:
        """Return the profile ``name``; a missing one is a mistake at ``key`` of ``user``."""
        if name in self._extending:
            chain = " extends ".join(f'"{n}"' for n in (*self._extending, name))
            self._mistakes.add(user, key, f"it would extend itself: {chain}", "another profile")
            return None
        if name not in self._read:
            self._extending.append(name)
            self._read[name] = self._load(name, user, key)
            self._extending.pop()
        elif self._read[name] is None and name not in self.contents:
            self._say_missing(name, user, key)
        return self._read[name]

    def read(self) -> Mapping[str, Profile]:
        """Return the profiles without mistakes of their own that were read so far, by name."""
        return {name: profile for name, profile in self._read.items() if profile is not None}

    def files(self) -> Mapping[str, Path]:
        """Return the file of each profile that was read, by name."""
        found = {name: self.find(name) for name in self.contents}
        return {name: path for name, path in found.items() if path is not None}

    def find(self, name: str) -> Path | None:
        """Return the file of the profile ``name``, or ``None``."""
        return next((f / name for f in self._folders if (f / name).is_file()), None)

    def _load(self, name: str, user: Source, key: Key) -> Profile | None:
        path = self.find(name)
        if path is None:
            self._say_missing(name, user, key)
            return None
        try:
            raw, text = read_text(path)
        except (OSError, UnicodeDecodeError) as exc:
            self._mistakes.add(user, key, f'profile "{name}" cannot be read: {exc}',
                               "a TOML file that can be read")
            return None
        self.contents[name] = raw
        data = parse_toml(name, text, self._mistakes)
        return None if data is None else self._check(Source(name, text), data)

    def _say_missing(self, name: str, user: Source, key: Key) -> None:
        near = sorted({p.name for f in self._folders for p in f.glob("*.toml")})
        self._mistakes.add(user, key, f'there is no profile "{name}"{nearest(name, near)}',
                           "a TOML file beside the site file, in the folder that [site] names "
                           "with profiles, or one of: "
                           + ", ".join(sorted(p.name for p in BUNDLED.glob("*.toml"))))

    def _check(self, source: Source, data: Mapping[str, Any]) -> Profile:
        read = read_tables(ProfileFile, data, source, self._mistakes)
        own = [ProfilePoint(source=source, key=("points", index), table=table)
               for index, table in enumerate(read.points)]
        for point in own:
            _Check(source, self._mistakes, point.key, point.table).all()
        head, base = read.profile, None
        if head.extends is not None:
            base = self.get(head.extends, source, ("profile", "extends"))
        if base is not None:
            given = {n: getattr(head, n) for n in head.model_fields_set}
            head = base.head.model_copy(update=given)
            own = [*self._inherited(base, own, read.profile, source), *own]
        if not own and not self._mistakes.has_mistake(source, ("points",)) \
                and read.profile.extends is None:
            self._mistakes.add(source, (), "the profile has no points", "[[points]]")
        return Profile(source=source, head=head, points=own)

    def _inherited(
        self, base: Profile, own: Sequence[ProfilePoint], head: HeadTable, source: Source,
    ) -> list[ProfilePoint]:
        """Return the points of ``base`` that are neither described again nor omitted."""
        quantities = {p.table.quantity for p in base.points}
        for name in head.omits:
            if name not in quantities:
                self._mistakes.add(source, ("profile", "omits"),
                                   f'"{head.extends}" has no "{name}"{nearest(name, quantities)}',
                                   "quantities of the profile that it extends")
        again = {p.identity for p in own}
        return [p for p in base.points
                if p.identity not in again and p.table.quantity not in head.omits]


class _Check:
    """Checks of a point that do not depend on its asset."""

    def __init__(self, source: Source, mistakes: Diagnostics, key: Key, point: PointTable) -> None:
        self._source, self._mistakes, self._key, self._point = source, mistakes, key, point

    def _say(self, name: str, problem: str, expected: str = "") -> None:
        if not self._mistakes.has_mistake(self._source, (*self._key, name)):
            self._mistakes.add(self._source, (*self._key, name), problem, expected)

    def all(self) -> None:
        point, known = self._point, quantity_names()
        if point.quantity and point.quantity not in known:
            self._say("quantity", f'unknown quantity "{point.quantity}"'
                      f"{nearest(point.quantity, known)}", "one of " + ", ".join(sorted(
                          {q for group in QUANTITIES.values() for q in group})))
        if point.has_legs:
            self._legs()
        elif {"normally_open", "normally_closed"} & point.model_fields_set == set():
            self._register()
        self._range()
        self._linear()
        self._values()

    def _linear(self) -> None:
        """Check what a raw value is multiplied by, and what is added."""
        scale, offset = abs(self._point.scale), abs(self._point.offset)
        if scale == 0:
            self._say("scale", "with a scale of 0 every value would be the offset",
                      "what one step of the register stands for, such as 0.1")
        elif not _SMALLEST_SCALE <= scale <= _LARGEST:
            self._say("scale", f"no register is in steps of {self._point.scale:g}",
                      f"{_SMALLEST_SCALE:g} to {_LARGEST:g}, or below 0")
        if offset > _LARGEST:
            self._say("offset", f"no value is {self._point.offset:g} at a raw 0",
                      f"-{_LARGEST:g} to {_LARGEST:g}")

    def _legs(self) -> None:
        for name in ("table", "address", "type", "scale", "offset", "bit"):
            if name in self._point.model_fields_set:
                self._say(name, f'"{name}" has no meaning beside the legs of a contact',
                          "only normally_open and normally_closed")
        legs = (self._point.normally_open, self._point.normally_closed)
        places = [(leg.table, leg.address) for leg in legs if leg is not None]
        if len(set(places)) < len(places):
            self._say("normally_closed", "both legs are read at the same place", "another address")

    def _register(self) -> None:
        point = self._point
        if point.table is None:
            self._say("table", '"table" is missing', 'table = "input-registers"')
        if point.address is None:
            self._say("address", '"address" is missing', "the zero-based address on the wire")
        if point.table in BIT_TABLES:
            if point.type not in (None, "bit"):
                self._say("type", f"{point.table} hold bits, not {point.type}", "bit")
            if point.bit is not None:
                self._say("bit", f"{point.table} hold one bit each", "no bit number")
        elif point.type == "bit" and point.bit is None:
            self._say("bit", "which bit of the register?", "bit = 0 to 15")
        elif point.bit is not None and point.type not in (None, "bit"):
            self._say("bit", f"a bit number has no meaning for {point.type}", 'type = "bit"')
        width = point.length if point.type == "text" else _WIDTH.get(point.type or "uint16", 1)
        if point.address is not None and point.address + width > 65536:
            self._say("address", "the value runs past address 65535", "a lower address")

    def _range(self) -> None:
        limits = self._point.range
        if limits is not None and limits[0] >= limits[1]:
            self._say("range", f"{limits} is empty", "[lowest, highest]")

    def _values(self) -> None:
        point = self._point
        if point.quantity == "mode" and not point.values and not point.has_legs:
            self._say("values", "a mode needs its words",
                      'values = { 0 = "off", 1 = "nitrogen", 2 = "air-fill" }')
        for raw, word in point.values.items():
            if point.type != "text" and plain_number(raw) is None:
                self._say("values", f'"{raw}" is no number on the wire', "such as 0 or 1")
            if isinstance(word, str) and (point.quantity != "mode" or word not in MODES):
                known = MODES if point.quantity == "mode" else ()
                self._say("values", f'"{word}" is not known{nearest(word, known)}',
                          ", ".join(MODES) if known else "a number")
