"""Converts text with a unit into a number in the unit of record.

Pressures are gauge whatever the unit (``psi``, ``bar``, ``kPa``, also written ``psig``); absolute
ones are refused, because a site file that mixes the two is off by an atmosphere. "Standard" flows
become mol/s: ``scf`` and ``sm3`` at the site's standard temperature, ``Nm3``, ``NL`` and ``sL`` at
0 degC, both at 101 325 Pa (14.696 psia).
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from collector.domain.units import ZERO_CELSIUS
from collector.physics.gas import standard_molar_volume

_TEXT = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(\S.*?)?\s*", re.ASCII)


class QuantityError(ValueError):
    """A quantity that cannot be read: ``problem`` and what was ``expected`` instead."""

    def __init__(self, problem: str, expected: str) -> None:
        self.problem = problem
        self.expected = expected
        super().__init__(f"{problem}; expected {expected}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of quantity: its unit of record, and an example of how people write it."""

    noun: str
    unit: str
    """As pint writes it."""
    examples: tuple[str, ...]

    @property
    def expected(self) -> str:
        """The expectation to show after a mistake."""
        return f"{self.noun} such as " + " or ".join(f'"{e}"' for e in self.examples)


def _k(noun: str, unit: str, *examples: str) -> Kind:
    return Kind(noun=noun, unit=unit, examples=examples)


KINDS: Mapping[str, Kind] = {
    "pressure": _k("a gauge pressure", "psi", "80 psi", "5.5 bar"),
    "pressure-rate": _k("a pressure rate", "psi/min", "0.5 psi/min"),
    "volume": _k("a volume", "m^3", "450 gal", "1700 L"),
    "length": _k("a length", "m", "220 ft", "67 m"),
    "temperature": _k("a temperature", "degC", "40 degF", "4 degC"),
    "temperature-difference": _k("a temperature difference", "delta_degC", "2 degF", "1 degC"),
    "duration": _k("a duration", "ms", "30 s", "12 min"),
    "percent": _k("a share", "%", "2 %"),
    "power": _k("a power", "W", "2.2 kW", "3 hp"),
    "hours": _k("running hours", "hour", "2000 h"),
    "days": _k("days", "day", "10 d"),
    "size": _k("a size", "byte", "4 GB"),
    "flow": _k("a standard flow", "mol/s", "0.35 scfm", "10 slpm"),
}

_NOUNS = {
    "[mass] / [length] / [time] ** 2": "a pressure", "[length] ** 3": "a volume",
    "[length]": "a length", "[time]": "a duration", "[temperature]": "a temperature",
    "[length] ** 3 / [time]": "a flow", "[mass]": "a mass", "[length] ** 2": "an area",
    "[mass] / [length] / [time] ** 3": "a pressure rate", "1 / [time]": "a rate",
    "[mass] * [length] ** 2 / [time] ** 3": "a power",
    "[mass] * [length] ** 2 / [time] ** 2": "an energy",
    "dimensionless": "a plain number",
}

_BASES = r"\b(psi|mbar|bar|kPa|MPa|hPa|Pa)"
_GAUGE = re.compile(_BASES + r"(?:\s*\(?g\)?|\s+gauge)(?![A-Za-z])")
_ABSOLUTE = re.compile(_BASES + r"(?:\s*\(?a\)?|\s+abs(?:olute)?)(?![A-Za-z])")
_CHARACTERS = re.compile(r"[A-Za-z0-9°%µμ²³*/^(). -]+")
_POWER = re.compile(r"\b(in|ft|yd|m|cm|mm|dm)\s?([23])\b")
_TEMPERATURES = {"F": "degF", "°F": "degF", "deg F": "degF", "C": "degC", "°C": "degC",
                 "deg C": "degC", "K": "kelvin"}
_PERCENT = {"%": 1.0, "percent": 1.0, "pct": 1.0, "ppm": 1e-4, "fraction": 100.0}


@functools.cache
def _registry() -> Any:
    # Reading pint and its definitions takes a fifth of a second: not before the first quantity.
    import pint

    registry: Any = pint.UnitRegistry()
    # The trade writes these; pint would read a centi-femto-metre.
    registry.define("cfm = foot ** 3 / minute")
    registry.define("cfh = foot ** 3 / hour")
    return registry


def split(text: object, kind: str) -> tuple[float, str]:
    """Split ``"80 psi"`` into number and unit. Raises :class:`QuantityError`."""
    expected = KINDS[kind].expected
    if isinstance(text, bool) or not isinstance(text, (str, int, float)):
        raise QuantityError(f"not a quantity: {text!r}", expected)
    if not isinstance(text, str):
        raise QuantityError(f"{text!r} has no unit", f"text with a unit, {expected}")
    found = _TEXT.fullmatch(text)
    if found is None:
        raise QuantityError(f'not a quantity: "{text}"', expected)
    if not found[2]:
        raise QuantityError(f'"{text}" has no unit', f"text with a unit, {expected}")
    return float(found[1]), found[2]


def _unit(unit: str, kind: str) -> Any:
    if kind.startswith("temperature"):
        unit = _TEMPERATURES.get(unit, unit)
    if kind.startswith("pressure"):
        if _ABSOLUTE.search(unit):
            raise QuantityError(f'"{unit}" is an absolute pressure', KINDS[kind].expected)
        unit = _GAUGE.sub(r"\1", unit)
    if not _CHARACTERS.fullmatch(unit):
        raise QuantityError(f'not a unit: "{unit}"', KINDS[kind].expected)
    import pint

    try:
        return _registry().parse_units(_POWER.sub(r"\1**\2", unit))
    except (pint.PintError, ValueError, TypeError, AttributeError, SyntaxError, KeyError) as exc:
        raise QuantityError(f'unknown unit "{unit}"', KINDS[kind].expected) from exc
    except Exception as exc:  # the tokenizer has errors of its own, without a common root
        raise QuantityError(f'not a unit: "{unit}"', KINDS[kind].expected) from exc


def _to_record(number: float, unit: str, kind: str) -> float:
    if kind == "percent":
        if unit not in _PERCENT:
            raise QuantityError(f'"{number:g} {unit}" is not a share', KINDS[kind].expected)
        return number * _PERCENT[unit]
    parsed = _unit(unit, kind)
    target = _registry().parse_units(KINDS[kind].unit)
    if parsed.dimensionality != target.dimensionality or \
            (kind == "size") != ("byte" in str(parsed) or "bit" in str(parsed)):
        noun = _NOUNS.get(str(parsed.dimensionality), "something else")
        raise QuantityError(f'"{number:g} {unit}" is {noun}, not {KINDS[kind].noun}',
                            KINDS[kind].expected)
    if kind == "temperature-difference":
        parsed = {"degree_Fahrenheit": "delta_degF", "degree_Celsius": "delta_degC"}.get(
            str(parsed), parsed)
    return float(_registry().Quantity(number, parsed).to(target).magnitude)


def convert(text: object, kind: str) -> float:
    """Return the value of ``text`` in the unit of record of ``kind``.

    ``kind`` is a key of :data:`KINDS` other than ``flow``. Durations and sizes come back whole.
    Raises :class:`QuantityError`.

    >>> convert("5.5 bar", "pressure") == 5.5e5 / 6894.757293168361
    True
    >>> convert("12 min", "duration")
    720000
    """
    number, unit = split(text, kind)
    value = _to_record(number, unit, kind)
    if not math.isfinite(value):
        raise QuantityError(f'"{text}" is not finite', KINDS[kind].expected)
    return round(value) if kind in ("duration", "size") else value


def affine(unit: str, kind: str) -> tuple[float, float]:
    """Return ``(factor, shift)`` so that ``value * factor + shift`` is in the unit of record.

    Raises :class:`QuantityError` for a unit of another kind.
    """
    if unit == KINDS[kind].unit:
        return 1.0, 0.0
    if kind == "percent":
        return _to_record(1.0, unit, kind), 0.0
    shift = _to_record(0.0, unit, kind)
    factor = _to_record(1.0, unit, kind) - shift
    # Taken over a long span where there is a shift: the difference of two near numbers is coarse.
    return ((_to_record(1e6, unit, kind) - shift) / 1e6, shift) if shift else (factor, 0.0)


_ZERO = 0.0
_PER = {"s": 1.0, "sec": 1.0, "min": 60.0, "m": 60.0, "h": 3600.0, "hr": 3600.0, "d": 86400.0,
        "day": 86400.0}
_FT3, _LITRE = 0.3048**3, 1e-3
_STANDARD = {
    # Volume in m3, and the base in degC; None is the site's own.
    "scf": (_FT3, None), "sm3": (1.0, None), "nm3": (1.0, _ZERO), "nl": (_LITRE, _ZERO),
    "sl": (_LITRE, _ZERO), "scc": (1e-6, _ZERO),
}
_FLOW = re.compile(r"(scf|sm3|nm3|nl|sl|scc)\s*(?:/|p)?\s*(sec|s|min|m|hr|h|day|d)", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardFlow:
    """A flow as written, before the site's standard temperature is known."""

    mol: float = 0.0
    """mol/s, where it was written so."""
    volume: float = 0.0
    """m3/s at 101 325 Pa and ``base``."""
    base: float | None = None
    """degC; ``None`` for the site's own."""

    def mol_per_second(self, standard_temperature: float) -> float:
        """Return mol/s; ``standard_temperature`` is the site's, in degC."""
        base = standard_temperature if self.base is None else self.base
        return self.mol + self.volume / standard_molar_volume(base + ZERO_CELSIUS)


def parse_flow(text: object) -> StandardFlow:
    """Read ``"0.35 scfm"``, ``"10 slpm"``, ``"3 Nm3/h"`` or ``"0.007 mol/s"``.

    Raises :class:`QuantityError`; a plain volume per time is refused, since it does
    not say how much gas it is.
    """
    number, unit = split(text, "flow")
    found = _FLOW.fullmatch(unit)
    if found is not None:
        volume, base = _STANDARD[found[1].lower()]
        return StandardFlow(volume=number * volume / _PER[found[2].lower()], base=base)
    parsed = _unit(unit, "flow")
    target = _registry().parse_units("mol/s")
    if parsed.dimensionality == target.dimensionality:
        return StandardFlow(mol=float(_registry().Quantity(number, parsed).to(target).magnitude))
    noun = _NOUNS.get(str(parsed.dimensionality), "something else")
    hint = ", at no stated pressure and temperature" if noun == "a flow" else ""
    raise QuantityError(f'"{number:g} {unit}" is {noun}{hint}, not a standard flow',
                        KINDS["flow"].expected)


_PRICE = re.compile(r"(\d+\.?\d*|\.\d+)\s*([A-Za-z$\u00a3\u20ac]{1,4})\s*(?:/|per)\s*(kWh|MWh)")


def parse_price(text: object) -> tuple[float, str]:
    """Read ``"0.24 GBP/kWh"``: what one kWh costs, and in which currency, as it was written.

    Raises :class:`QuantityError`.
    """
    expected = 'a price such as "0.24 GBP/kWh" or "90 EUR/MWh"'
    found = _PRICE.fullmatch(text.strip()) if isinstance(text, str) else None
    if found is None:
        raise QuantityError(f"not a price of energy: {text!r}", expected)
    return float(found[1]) / (1000 if found[3] == "MWh" else 1), found[2]
