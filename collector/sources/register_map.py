"""Decodes registers and bits into values in the unit of record. Pure.

Nothing that a device sends raises an exception here: a reply without a value gives bad quality and
a reason.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from dataclasses import dataclass

from collector.domain.readings import Quality
from collector.sources.pdu import BIT_TABLES
from collector.sources.settings import PointSettings

__all__ = ["Decoded", "NO_VALUE", "decode", "raw_value", "width"]

NO_VALUE = ("the device gives ", "the device marks it as no value")
"""How the reasons begin by which a device itself says that it has no value now."""
_FORMATS = {
    "int16": "h", "uint16": "H", "int32": "i", "uint32": "I",
    "int64": "q", "uint64": "Q", "float32": "f", "float64": "d",
}
_BITS = BIT_TABLES | {"lines"}
"""Lines of a local chip are bits too."""
_WIDTHS = {name: max(1, struct.calcsize(">" + code) // 2) for name, code in _FORMATS.items()}


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
