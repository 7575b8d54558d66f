"""Converts quantities as a scenario writes them ("80 psi", "60 gal", "2 h") into SI.

The plant keeps its own small table instead of the collector's converter: a wrong factor there must
show against the plant, not be shared by it.
"""

from __future__ import annotations

import re

__all__ = ["AIR_OXYGEN", "GAS_CONSTANT", "PSI", "SCFM", "ScenarioError", "parse"]

GAS_CONSTANT = 8.314462618
"""J/(mol K), CODATA 2018."""
AIR_OXYGEN = 0.209476
"""Oxygen fraction of dry air, US Standard Atmosphere 1976."""
PSI = 6894.757293168
"""Pa in one psi (0.45359237 kg x 9.80665 m/s2 / (0.0254 m)2)."""
SCFM = 101325.354 * 0.3048**3 / (GAS_CONSTANT * 288.705556) / 60
"""mol/s in one standard cubic foot a minute at 14.696 psia and 60 F."""

_FACTORS: dict[str, dict[str, float]] = {
    "pressure": {"pa": 1.0, "kpa": 1e3, "bar": 1e5, "mbar": 100.0, "psi": PSI},
    "volume": {"m3": 1.0, "l": 1e-3, "gal": 3.785411784e-3, "ft3": 0.3048**3},
    "flow": {"mol/s": 1.0, "scfm": SCFM, "scfh": SCFM / 60},
    "duration": {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0},
    "fraction": {"%": 0.01},
    "temperature": {},
    "difference": {"k": 1.0, "degc": 1.0, "degf": 5 / 9},
    "length": {"m": 1.0, "ft": 0.3048, "mm": 1e-3, "in": 0.0254},
    "current": {},
    "number": {},
}
_SHAPE = re.compile(r"\s*([-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?)\s*(\S*)\s*")


class ScenarioError(ValueError):
    """The scenario file, or an order given to the plant, is wrong; the text says where."""


def parse(value: object, dimension: str) -> float:
    """Return ``value`` in SI: Pa, m3, mol/s, s, fraction of one, K.

    A bare number is taken as it stands (SI). Raises :class:`ScenarioError`.

    >>> parse("2 h", "duration")
    7200.0
    >>> round(parse("32 degF", "temperature"), 2)
    273.15
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise ScenarioError(f"{value!r} is not a {dimension}")
    if not isinstance(value, str):
        return float(value)
    match = _SHAPE.fullmatch(value)
    if match is None:
        raise ScenarioError(f"{value!r} is not a {dimension}")
    number, unit = float(match[1]), match[2].lower()
    if dimension == "temperature":
        return _kelvin(number, unit)
    factor = _FACTORS[dimension].get(unit)
    if factor is None:
        known = ", ".join(_FACTORS[dimension]) or "none"
        raise ScenarioError(f"{value!r}: {match[2]!r} is no unit of {dimension} (known: {known})")
    return number * factor


def _kelvin(number: float, unit: str) -> float:
    if unit == "k":
        return number
    if unit == "degc":
        return number + 273.15
    if unit == "degf":
        return (number - 32) * 5 / 9 + 273.15
    raise ScenarioError(f"{unit!r} is no unit of temperature (known: K, degC, degF)")
