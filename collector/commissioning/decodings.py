"""Decodings of raw registers: every type, order, scale and unit that can give a shown value.

A display and a register hold the same quantity, each rounded or cut off in its own way. So a
decoding gives what a display shows when one true value could have led to both.
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from collector.domain.units import PSI, ZERO_CELSIUS
from collector.sources import PointSettings, raw_value, width

TYPES = ("int16", "uint16", "int32", "uint32", "float32", "float64")
"""Types tried unless others are named; ``int64`` and ``uint64`` are rare in such controllers."""
SCALES = (1.0, 0.1, 0.01, 0.001, 10.0)
"""Scales of whole numbers, the common first. A float carries its own decimals."""
_ORDERS = ("high-first", "low-first")
_BAR = 1e5 / PSI

UNITS = {
    "psi": {"psi": (1.0, 0.0), "bar": (_BAR, 0.0), "kPa": (_BAR / 100, 0.0)},
    "%": {"%": (1.0, 0.0), "% N2": (-1.0, 100.0), "ppm": (1e-4, 0.0), "fraction": (100.0, 0.0)},
    "degC": {"degC": (1.0, 0.0), "degF": (5 / 9, -160 / 9), "K": (1.0, -ZERO_CELSIUS)},
    "h": {"h": (1.0, 0.0), "min": (1 / 60, 0.0), "s": (1 / 3600, 0.0)},
    "count": {"": (1.0, 0.0)},
}
"""By unit of record: each unit of a device or a display, with the factor and the shift into it.
``% N2`` is nitrogen, where the quantity is oxygen."""

UNIT_NAMES = {"degC": "°C", "degF": "°F"}
"""Units that people write otherwise."""
_ENDLESS = 1e30
"""No number of a plant is larger; the bytes of a wrong type often are."""
_FRACTIONAL = {"fraction"}
"""Units that make sense for floats only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoding:
    """One way to read registers: ``raw * scale`` in ``unit``, then into the unit of record."""

    type: str
    word_order: str = "high-first"
    byte_order: str = "high-first"
    scale: float = 1.0
    unit: str = ""
    """A key of :data:`UNITS` ``[of]``."""
    of: str = "count"
    """The unit of record."""

    @property
    def width(self) -> int:
        """Number of registers that the decoding reads."""
        return width(self._settings())

    @property
    def step(self) -> float:
        """The smallest step in the unit of record; 0 for a float."""
        return 0.0 if self.is_float else abs(self.slope)

    @property
    def is_float(self) -> bool:
        """Whether the type is a float, of either size."""
        return self.type.startswith("float")

    @property
    def slope(self) -> float:
        """The change of the value, in the unit of record, for a change of the raw number by one."""
        return self.scale * UNITS[self.of][self.unit][0]

    def raw(self, words: Sequence[int]) -> float | None:
        """Return the number in the first registers of ``words``; ``None`` where it is none."""
        settings = self._settings()
        due = width(settings)
        if len(words) < due:
            return None
        found = raw_value(settings, words[:due])
        assert not isinstance(found, str)
        return found if math.isfinite(found) and abs(found) < _ENDLESS else None

    def value(self, words: Sequence[int]) -> float | None:
        """Return the value in the unit of record; ``None`` where there is none."""
        raw = self.raw(words)
        return None if raw is None else self.scaled(raw)

    def scaled(self, raw: float) -> float:
        """Return a raw number as a value in the unit of record."""
        return raw * self.slope + UNITS[self.of][self.unit][1]

    def __str__(self) -> str:
        """Return the decoding for people: ``int32, low word first, x 0.1 psi``."""
        parts = [self.type]
        if self.width > 1 and self.word_order == "low-first":
            parts.append("low word first")
        if self.byte_order == "low-first":
            parts.append("low byte first")
        scale = f"x {self.scale:g} " if self.scale != 1 else ""
        return ", ".join(parts) + (f", {scale}{self.unit}".rstrip() if scale or self.unit else "")

    def _settings(self) -> PointSettings:
        return _settings(self.type, self.word_order, self.byte_order)


@functools.cache
def _settings(type_: str, word_order: str, byte_order: str) -> PointSettings:
    return PointSettings(point="", table="holding-registers", type=type_, word_order=word_order,
                         byte_order=byte_order)


@functools.cache
def decodings(of: str, types: Sequence[str] = TYPES) -> tuple[Decoding, ...]:
    """Return every decoding for a quantity with the unit of record ``of``, the plainest first.

    Two that always give the same number, such as 0.1 kPa and 0.001 bar, are one: the first.
    """
    found: dict[tuple[str, str, str, str, str], Decoding] = {}
    for type_ in types:
        whole = not type_.startswith("float")
        words = width(_settings(type_, "high-first", "high-first"))
        for unit, (factor, shift) in UNITS[of].items():
            if whole and unit in _FRACTIONAL:
                continue
            for scale in SCALES if whole else (1.0,):
                for word_order in _ORDERS if words > 1 else _ORDERS[:1]:
                    for byte_order in _ORDERS:
                        same = (type_, word_order, byte_order, f"{scale * factor:.9g}",
                                f"{shift:.9g}")
                        found.setdefault(same, Decoding(
                            type=type_, word_order=word_order, byte_order=byte_order, scale=scale,
                            unit=unit, of=of))
    return tuple(sorted(found.values(), key=_plainness))


def _plainness(one: Decoding) -> tuple[int, int, int, int, int]:
    return (one.byte_order != "high-first", list(UNITS[one.of]).index(one.unit),
            one.width, SCALES.index(one.scale), one.word_order != "high-first")


class NotShown(ValueError):
    """Text that is not a number as a display shows it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A value as a display shows it: 71.5 stands for every value that is rounded or cut to it."""

    number: float
    resolution: float
    """The last digit's worth, in ``unit``."""
    unit: str
    of: str

    @property
    def value(self) -> float:
        """The number in the unit of record."""
        factor, shift = UNITS[self.of][self.unit]
        return self.number * factor + shift

    @property
    def span(self) -> tuple[float, float]:
        """Lowest and highest true value, in the unit of record, that would be shown like this."""
        above = self.resolution if self.number >= 0 else self.resolution / 2
        below = self.resolution if self.number <= 0 else self.resolution / 2
        factor, shift = UNITS[self.of][self.unit]
        ends = ((self.number - below) * factor + shift, (self.number + above) * factor + shift)
        return min(ends), max(ends)

    @property
    def step(self) -> float:
        """The value of the last digit shown, in the unit of record."""
        return self.resolution * abs(UNITS[self.of][self.unit][0])

    def fits(self, low: float, high: float, step: float = 0.0) -> bool:
        """Whether a register that went from ``low`` to ``high`` meanwhile agrees with the display.

        ``step`` is the register's own step: its value too may have been rounded or cut.
        """
        least, most = self.span
        # What is cut off never reaches the next digit: that end is not part of the span.
        upward = (self.number >= 0) == (UNITS[self.of][self.unit][0] > 0)
        slack = 1e-9 * max(abs(self.value), 1.0) * (1 if upward else -1)
        return low - step <= most - slack and high + step >= least - slack

    def __str__(self) -> str:
        decimals = max(0, -round(math.log10(self.resolution)))
        unit = UNIT_NAMES.get(self.unit, self.unit)
        return f"{self.number:.{decimals}f} {unit}".rstrip()


_NUMBER = re.compile(r"\s*([-+\u2212]?)(\d+)(?:\.(\d*))?\s*(\S.*?)?\s*")
_THOUSANDS = re.compile(r"\b[1-9]\d{0,2}(?:,\d{3})+(?!\d)")
"""A number whose thousands are set apart: 1,200.2 h."""
_SPELLINGS = {
    "psi": {"psi": "psi", "psig": "psi", "bar": "bar", "barg": "bar", "kpa": "kPa"},
    "%": {"%": "%", "% o2": "%", "o2": "%", "% n2": "% N2", "n2": "% N2", "% nitrogen": "% N2",
          "% oxygen": "%", "ppm": "ppm"},
    "degC": {"c": "degC", "degc": "degC", "\u00b0c": "degC", "f": "degF", "degf": "degF",
             "\u00b0f": "degF", "k": "K"},
    "h": {"h": "h", "hr": "h", "hrs": "h", "hours": "h", "min": "min", "s": "s"},
    "count": {},
}


def parse_shown(text: str, of: str, unit: str = "") -> Shown:
    """Read what a display shows, such as ``71.5 psi``; its digits tell its resolution.

    ``unit`` is meant where none is written; the unit of record by default. Raises ``NotShown``.

    >>> parse_shown("4.93 bar", "psi").resolution, str(parse_shown("1.8", "%"))
    (0.01, '1.8 %')
    """
    found = _NUMBER.fullmatch(_THOUSANDS.sub(lambda m: m[0].replace(",", ""), text))
    if found is None:
        raise NotShown(f'"{text.strip()}" is not a number as a display shows it, such as 71.5')
    sign, whole, part, word = found.groups()
    if word:
        spelled = _SPELLINGS[of].get(" ".join(word.lower().split()))
        if spelled is None:
            known = ", ".join(u for u in UNITS[of] if u) or "no unit"
            raise NotShown(f'"{word}" is no unit of this quantity; expected {known}')
        unit = spelled
    number = float(f"{whole}.{part or 0}")
    return Shown(number=-number if sign in ("-", "\u2212") else number,
                 resolution=10.0 ** -len(part or ""), unit=unit or next(iter(UNITS[of])), of=of)
