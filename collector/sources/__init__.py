"""Sources of readings: devices on Modbus and contacts. Here, the settings of a device."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from collector.domain.readings import Quality
from collector.sources.pdu import BIT_TABLES


@dataclass(frozen=True, slots=True, kw_only=True)
class Address:
    """The address of a device. Devices with equal addresses share one connection and take turns.

    ``kind`` is ``tcp`` (Modbus TCP), ``rtu`` (a serial line), ``rtu+tcp`` (RTU frames through a
    converter) or ``gpio`` (a local chip, no Modbus at all).
    """

    kind: str
    host: str = ""
    port: int = 502
    path: str = ""
    baud: int = 19200
    parity: str = "even"
    stop_bits: int = 1

    def __str__(self) -> str:
        if self.kind == "rtu":
            return f"rtu:{self.path}?baud={self.baud}&parity={self.parity}"
        if self.kind == "gpio":
            return f"gpio:{self.path}"
        return f"{self.kind}://{self.host}:{self.port}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactLeg:
    """One leg of a contact: a bit in ``coils`` or ``discrete-inputs``, or a GPIO line offset."""

    table: str
    address: int
    inverted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class PointSettings:
    """One point of a device: its registers or contact legs, its decoding, its name.

    Either ``table``/``address``/``type`` are set, or the legs of a form C contact are.
    The reading is ``(raw * scale + offset) * factor + shift``: the profile's own scaling first,
    then the profile's unit into the unit of record.
    """

    point: str
    table: str = ""
    """``coils``, ``discrete-inputs``, ``input-registers`` or ``holding-registers``."""
    address: int = 0
    type: str = "uint16"
    """``int16 uint16 int32 uint32 int64 uint64 float32 float64 bit text``."""
    length: int = 1
    """Registers taken by a ``text``; bit number within the register for a ``bit`` in one."""
    bit: int | None = None
    word_order: str = "high-first"
    byte_order: str = "high-first"
    scale: float = 1.0
    offset: float = 0.0
    factor: float = 1.0
    shift: float = 0.0
    invalid: tuple[float, ...] = ()
    """Raw values that mean "no value"."""
    low: float | None = None
    high: float | None = None
    """Limits of what is possible, in the unit of record; outside, the quality is bad."""
    values: Mapping[str, float] = field(default_factory=dict)
    """Raw number or text to value of record, for modes and coded states; others are bad."""
    normally_open: ContactLeg | None = None
    normally_closed: ContactLeg | None = None
    debounce: int = 0
    """ms a contact must keep a new state before it counts."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceSettings:
    """One device as the poller sees it. Durations in ms."""

    id: str
    name: str
    address: Address
    unit: int
    every: int
    points: tuple[PointSettings, ...]
    timeout: int = 1000
    max_gap: int = 8
    pause: int = 0
    """ms between two requests of one poll: some controllers hang when they are hurried."""
    retries: int = 0
    """How often a question without a reply is asked again at once."""
    trusted: frozenset[str] = frozenset()
    """Points whose readings are not doubted, however unlikely they are."""
    """Unused registers (or 16 times as many bits) a merged request may span."""
    max_registers: int = 125
    max_bits: int = 2000


_FORMATS = {
    "int16": "h", "uint16": "H", "int32": "i", "uint32": "I",
    "int64": "q", "uint64": "Q", "float32": "f", "float64": "d",
}
_BITS = BIT_TABLES | {"lines"}
"""Lines of a local chip are bits too."""
_WIDTHS = {name: max(1, struct.calcsize(">" + code) // 2) for name, code in _FORMATS.items()}


NO_VALUE = ("the device gives ", "the device marks it as no value")
"""How the reasons begin by which a device itself says that it has no value now."""
DAMAGED = "no usable reply: "
"""How the reason begins where a reply was damaged on its way, or answers another request."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """A value in the unit of record, its quality, and the reason where it is not good."""

    value: float | None
    quality: Quality = Quality.GOOD
    why: str = ""


def width(point: PointSettings) -> int:
    """Return how many registers (or bits, in a table of bits) the point takes.

    Raises ``ValueError`` for a type that is not known or does not fit its table.
    """
    if point.table in _BITS:
        if point.type != "bit":
            raise ValueError(f"{point.point}: {point.table} hold bits, not {point.type}")
        return 1
    if point.type == "bit":
        if point.bit is None or not 0 <= point.bit <= 15:
            raise ValueError(f"{point.point}: a bit in a register needs bit = 0 to 15")
        return 1
    if point.type == "text":
        return point.length
    if point.type not in _WIDTHS:
        raise ValueError(f"{point.point}: no such type: {point.type!r}")
    return _WIDTHS[point.type]


def raw_value(point: PointSettings, raw: Sequence[int]) -> float | int | str:
    """Return what ``raw`` (registers, or one bit) says, before any scaling.

    ``word_order`` says which register comes first, ``byte_order`` which byte of a register.
    """
    if point.table in _BITS:
        return int(bool(raw[0]))
    if point.type == "bit":
        register = int.from_bytes(_bytes(point, raw), "big")
        return register >> (point.bit or 0) & 1
    if point.byte_order == "high-first":  # by far the most common, and no bytes need be moved
        if point.type == "uint16":
            return raw[0]
        if point.type == "int16":
            return raw[0] - 65536 if raw[0] > 32767 else raw[0]
    data = _bytes(point, raw)
    if point.type == "text":
        return data.decode("ascii", "replace").split("\0", 1)[0].strip()
    number: float | int = struct.unpack(">" + _FORMATS[point.type], data)[0]
    return number


def decode(point: PointSettings, raw: Sequence[int]) -> Decoded:
    """Return the value of ``point`` from the registers, or the bit, that it takes."""
    if len(raw) != width(point):
        return _bad(None, f"{len(raw)} registers or bits where {width(point)} are due")
    found = raw_value(point, raw)
    if isinstance(found, float) and not math.isfinite(found):
        return _bad(None, f"{NO_VALUE[0]}{found}")
    if not isinstance(found, str) and found in point.invalid:
        return _bad(None, f"{NO_VALUE[1]} ({_plain(found)})")
    if point.values:
        return _listed(point, found)
    if isinstance(found, str):
        return _bad(None, f"text {found!r} stands for no number")
    return _scaled(point, found)


def _bytes(point: PointSettings, raw: Sequence[int]) -> bytes:
    words = reversed(raw) if point.word_order == "low-first" else raw
    order = "<" if point.byte_order == "low-first" else ">"
    return b"".join(struct.pack(order + "H", word) for word in words)


def _listed(point: PointSettings, found: float | int | str) -> Decoded:
    key = found if isinstance(found, str) else _plain(found)
    if key not in point.values:
        return _bad(None, f"{key!r} is not among the profile's values")
    return Decoded(value=float(point.values[key]))


def _scaled(point: PointSettings, found: float | int) -> Decoded:
    value = float(found)
    if (point.scale, point.offset, point.factor, point.shift) != (1.0, 0.0, 1.0, 0.0):
        value = (found * point.scale + point.offset) * point.factor + point.shift
        # 12 digits: 32766 tenths are 3276.6 and not 3276.6000000000004, which would miss its limit.
        value = float(f"{value:.12g}")
    if not math.isfinite(value):
        return _bad(None, f"the device gives {_plain(found)}, which scales to no number")
    if point.low is not None and value < point.low:
        return _bad(value, f"{value:g} is below the possible {point.low:g}")
    if point.high is not None and value > point.high:
        return _bad(value, f"{value:g} is above the possible {point.high:g}")
    return Decoded(value=value)


def _bad(value: float | None, why: str) -> Decoded:
    return Decoded(value=value, quality=Quality.BAD, why=why)


def _plain(number: float | int) -> str:
    """Write a number as the profile does: 7, not 7.0.

    >>> _plain(7.0), _plain(0.5), _plain(2**63)
    ('7', '0.5', '9223372036854775808')
    """
    return str(int(number)) if number == int(number) else repr(number)
