"""Cells of a register map: the value that a controller holds at an address, and its encoding."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["Cell", "DisplayItem", "Signal", "in_unit"]

Signal = Callable[[float], float]
"""A value in psi, percent, degrees C, hours or counts, by seconds since the controller started."""

_UNITS: dict[str, tuple[float, float]] = {
    "": (1.0, 0.0), "psi": (1.0, 0.0), "%": (1.0, 0.0), "degC": (1.0, 0.0), "h": (1.0, 0.0),
    # 1 bar = 14.503774 psi, by the pound of 0.45359237 kg, the inch of 0.0254 m and standard
    # gravity of 9.80665 m/s2.
    "bar": (14.503773773, 0.0), "kPa": (0.14503773773, 0.0),
    "degF": (5 / 9, -32 * 5 / 9), "% N2": (-1.0, 100.0), "min": (1 / 60, 0.0),
}
_CODES = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f"}


def in_unit(value: float, unit: str) -> float:
    """Return a value of record in ``unit``."""
    factor, shift = _UNITS[unit]
    return (value - shift) / factor


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A value at an address: ``quantity`` is a point's, or empty for one that is no point."""

    name: str
    table: str
    address: int
    signal: Signal
    type: str = "uint16"
    scale: float = 1.0
    unit: str = ""
    word_order: str = "high-first"
    byte_order: str = "high-first"
    point: str = ""
    cut: bool = False
    """Cut off where others round."""

    @property
    def width(self) -> int:
        """Registers, or bits, taken."""
        return 1 if self.type == "bit" else struct.calcsize(">" + _CODES[self.type]) // 2

    def words(self, time: float) -> list[int]:
        """Return the registers, or the bit, at ``time``."""
        value = self.signal(time)
        if self.type == "bit":
            return [int(bool(value))]
        raw: float = in_unit(value, self.unit) / self.scale
        if self.type != "float32":
            raw = math.trunc(raw + 1e-9) if self.cut else math.floor(raw + 0.5)
            bits, signed = 16 * self.width, self.type.startswith("int")
            raw = (raw + signed * 2 ** (bits - 1)) % 2 ** bits - signed * 2 ** (bits - 1)
        data = struct.pack(">" + _CODES[self.type], raw)
        words = [data[n:n + 2] for n in range(0, len(data), 2)]
        if self.word_order == "low-first":
            words.reverse()
        order = "little" if self.byte_order == "low-first" else "big"
        return [int.from_bytes(word, order) for word in words]  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True, kw_only=True)
class DisplayItem:
    """A line of a display."""

    point: str
    signal: Signal
    unit: str
    decimals: int
    cut: bool = False

    def text(self, time: float) -> str:
        """Return the display's text at ``time``, such as ``71.5 psi``."""
        value = in_unit(self.signal(time), self.unit)
        if self.cut:
            value = math.trunc(value * 10 ** self.decimals + 1e-9) / 10 ** self.decimals
        return f"{value:.{self.decimals}f} {self.unit}".rstrip()
