"""Register sets: one definition gives both the registers of a unit and its device profile.

Three controllers with different layouts, as on a real site: scaled 16-bit integers, 32-bit floats
low word first with gaps between them, and bare contacts; then a vent controller and a room monitor.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from simulators.sensors import Value

__all__ = ["REGISTER_SETS", "Image", "RegisterPoint", "RegisterSet", "assign", "lay_out"]

Image = dict[str, dict[int, int]]
"""Table name to address to raw value (16 bits, or one bit)."""

_TO_UNIT = {"psi": 1.0, "kPa": 6.894757293168, "bar": 0.06894757293168}
_STRUCT = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f",
           "float64": ">d"}
_LIMITS = {"int16": (-32768, 32766), "uint16": (0, 65535), "int32": (-2**31, 2**31 - 1),
           "uint32": (0, 2**32 - 1)}


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterPoint:
    """One point of a register set, in the words of the device profile."""

    quantity: str
    kind: str
    nth: int = 1
    table: str = ""
    address: int = 0
    type: str = "uint16"
    scale: float = 1.0
    unit: str = ""
    values: Mapping[str, str] | None = None
    """Raw number (as text) to the word it stands for."""
    invalid: int | None = None
    range: tuple[float, float] | None = None
    normally_open: int | None = None
    """Discrete input of the leg; set together with ``normally_closed`` for a form C."""
    normally_closed: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RegisterSet:
    """The registers of one make of controller. ``refuses_gaps``: a hole is an illegal address."""

    name: str
    title: str
    points: tuple[RegisterPoint, ...]
    word_order: str = "high-first"
    refuses_gaps: bool = False

    @property
    def file_name(self) -> str:
        """File name of its profile, without the ending."""
        return f"{self.name}.toml"


def assign(points: Sequence[RegisterPoint], watches: Sequence[str],
           kind_of: Callable[[str], str]) -> list[tuple[RegisterPoint, str]]:
    """Pair each register point with the point of the plant it carries.

    A quantity goes to the ``nth`` connected asset of its kind; points without one are left out (the
    controller has the registers, nothing is connected to them).
    """
    pairs = []
    for point in points:
        things = [thing for thing in watches if kind_of(thing) == point.kind]
        if len(things) >= point.nth:
            pairs.append((point, f"{things[point.nth - 1]}.{point.quantity}"))
    return pairs


def lay_out(registers: RegisterSet, pairs: Sequence[tuple[RegisterPoint, str]],
            read: Callable[[str], Value]) -> Image:
    """Return the present contents of a unit's registers."""
    image: Image = {"coils": {}, "discrete-inputs": {}, "input-registers": {},
                    "holding-registers": {}}
    for point, name in pairs:
        if point.normally_open is not None and point.normally_closed is not None:
            image["discrete-inputs"][point.normally_open] = _bit(read(f"{name}_no"))
            image["discrete-inputs"][point.normally_closed] = _bit(read(f"{name}_nc"))
        elif point.type == "bit":
            image[point.table][point.address] = _coded(point, read(name))
        else:
            words = _words(point, read(name), registers.word_order)
            for offset, word in enumerate(words):
                image[point.table][point.address + offset] = word
    return image


def _bit(value: Value) -> int:
    return 1 if value == 1.0 else 0


def _coded(point: RegisterPoint, value: Value) -> int:
    if point.values is None:
        return _bit(value)
    for raw, word in point.values.items():
        if word == value:
            return int(raw)
    return int(next(iter(point.values)))


def _words(point: RegisterPoint, value: Value, word_order: str) -> list[int]:
    if isinstance(value, str):
        raw: float = _coded(point, value)
    elif value is None:
        raw = math.nan if point.type.startswith("float") else float(point.invalid or 0)
    else:
        raw = value * _TO_UNIT.get(point.unit, 1.0) / point.scale
        if not point.type.startswith("float"):
            low, high = _LIMITS[point.type]
            raw = min(max(round(raw), low), high)
    packed = struct.pack(_STRUCT[point.type],
                         raw if point.type.startswith("float") else int(raw))
    words = [int.from_bytes(packed[i:i + 2], "big") for i in range(0, len(packed), 2)]
    return words if word_order == "high-first" else words[::-1]


def _int16(quantity: str, kind: str, address: int, scale: float, unit: str,
           limits: tuple[float, float], nth: int = 1) -> RegisterPoint:
    return RegisterPoint(quantity=quantity, kind=kind, nth=nth, table="input-registers",
                         address=address, type="int16", scale=scale, unit=unit, invalid=32767,
                         range=limits)


def _float(quantity: str, kind: str, address: int, unit: str, limits: tuple[float, float],
           nth: int = 1) -> RegisterPoint:
    return RegisterPoint(quantity=quantity, kind=kind, nth=nth, table="holding-registers",
                         address=address, type="float32", unit=unit, range=limits)


def _input(quantity: str, kind: str, address: int, nth: int = 1) -> RegisterPoint:
    return RegisterPoint(quantity=quantity, kind=kind, nth=nth, table="discrete-inputs",
                         address=address, type="bit")


def _form_c(quantity: str, kind: str, address: int, nth: int = 1) -> RegisterPoint:
    return RegisterPoint(quantity=quantity, kind=kind, nth=nth, normally_open=address,
                         normally_closed=address + 1)


def _riser_a(nth: int, address: int) -> tuple[RegisterPoint, ...]:
    return (
        _int16("pressure", "riser", address, 0.01, "psi", (-5, 200), nth),
        _int16("pipe_temperature", "riser", address + 1, 0.1, "degC", (-60, 80), nth),
        _int16("valve_room_temperature", "riser", address + 2, 0.1, "degC", (-60, 80), nth),
    )


def _riser_b(nth: int, address: int) -> tuple[RegisterPoint, ...]:
    return (
        _float("pressure", "riser", address, "kPa", (-30, 1400), nth),
        _float("pipe_temperature", "riser", address + 4, "degC", (-60, 80), nth),
        _float("valve_room_temperature", "riser", address + 8, "degC", (-60, 80), nth),
    )


_SET_A = RegisterSet(
    name="generator-a", title="Generator, register set A: scaled integers in input registers",
    points=(
        _int16("tank_pressure", "generator", 0, 0.1, "psi", (-5, 200)),
        _int16("product_oxygen", "generator", 1, 0.01, "%", (0, 25)),
        _int16("cabinet_temperature", "generator", 2, 0.1, "degC", (-40, 90)),
        _int16("dew_point", "generator", 3, 0.1, "degC", (-80, 40)),
        RegisterPoint(quantity="running_hours", kind="generator", table="input-registers",
                      address=4, type="uint32", scale=0.1, unit="h"),
        RegisterPoint(quantity="start_count", kind="generator", table="input-registers",
                      address=6, type="uint32"),
        RegisterPoint(quantity="mode", kind="generator", table="holding-registers", address=10,
                      values={"0": "off", "1": "nitrogen", "2": "air-fill"}),
        _input("compressor_running", "generator", 0),
        _input("power", "generator", 1),
        _form_c("trouble", "generator", 2),
        *_riser_a(1, 20), *_riser_a(2, 30), *_riser_a(3, 40),
    ),
)

_SET_B = RegisterSet(
    name="generator-b", title="Generator, register set B: floats, low word first, with holes",
    word_order="low-first", refuses_gaps=True,
    points=(
        _float("tank_pressure", "generator", 100, "kPa", (-30, 1400)),
        _float("product_oxygen", "generator", 104, "%", (0, 25)),
        _float("cabinet_temperature", "generator", 108, "degC", (-40, 90)),
        _float("running_hours", "generator", 112, "h", (0, 1e6)),
        RegisterPoint(quantity="start_count", kind="generator", table="holding-registers",
                      address=116, type="uint32"),
        RegisterPoint(quantity="mode", kind="generator", table="holding-registers", address=120,
                      values={"16": "off", "17": "nitrogen", "18": "air-fill"}),
        RegisterPoint(quantity="compressor_running", kind="generator", table="holding-registers",
                      address=122),
        *_riser_b(1, 200), *_riser_b(2, 220),
    ),
)

_SET_C = RegisterSet(
    name="contacts-c", title="Remote input/output, set C: dry contacts only",
    points=(
        _form_c("trouble", "generator", 0),
        _form_c("trouble", "generator", 2, 2),
        _input("power", "generator", 4),
        _input("power", "generator", 5, 2),
        _input("low_air", "riser", 8), _input("low_air", "riser", 9, 2),
        _input("low_air", "riser", 10, 3), _input("low_air", "riser", 11, 4),
        _input("high_air", "riser", 12), _input("high_air", "riser", 13, 2),
    ),
)

_SET_S = RegisterSet(
    name="switches-s", title="Remote input/output, set S: the pressure switches of risers",
    points=tuple(p for p in _SET_C.points if p.kind == "riser"),
)

_SET_K = RegisterSet(
    name="contacts-k", title="Remote input/output, set K: a generator known by its contacts alone",
    points=(
        *_SET_C.points,
        _input("compressor_running", "generator", 6),
        RegisterPoint(quantity="mode", kind="generator", table="discrete-inputs", address=7,
                      type="bit", values={"0": "nitrogen", "1": "air-fill"}),
    ),
)

_SET_T = RegisterSet(
    name="transmitters-t", title="Remote input/output, set T: the transmitters of risers",
    points=(*_riser_a(1, 0), *_riser_a(2, 10), *_riser_a(3, 20), *_riser_a(4, 30)),
)

_SET_V = RegisterSet(
    name="vent-v", title="Purge vent controller, set V",
    points=(
        _int16("oxygen", "vent", 0, 0.1, "%", (0, 25)),
        _input("open", "vent", 0), _input("water", "vent", 1),
        _int16("oxygen", "vent", 8, 0.1, "%", (0, 25), 2),
        _input("open", "vent", 8, 2), _input("water", "vent", 9, 2),
    ),
)

_SET_R = RegisterSet(
    name="room-r", title="Room oxygen monitor, set R",
    points=(
        _int16("oxygen", "room", 0, 0.1, "%", (0, 30)),
        _int16("temperature", "room", 1, 0.1, "degC", (-40, 80)),
    ),
)

REGISTER_SETS: Mapping[str, RegisterSet] = {
    s.name: s for s in (_SET_A, _SET_B, _SET_C, _SET_S, _SET_K, _SET_T, _SET_V, _SET_R)
}
