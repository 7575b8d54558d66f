"""Limits of practice with their sources, for the survey of a plant."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "COLD", "COOL_DOWN", "FILL", "FILL_COLD", "LARGEST", "QUICK_OPENING", "QUICK_OPENING_TIME",
    "VENTS", "Limit",
]

_GALLON = 3.785411784e-3
_MINUTE = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A number in SI (m3, s) or a count, and where it is written."""

    value: float
    source: str


LARGEST = Limit(
    value=750 * _GALLON,
    source="NFPA 13 7.2.3.1, older numbering, as quoted by others: 750 gal (2839 L) per dry valve",
)
QUICK_OPENING = Limit(
    value=500 * _GALLON,
    source="NFPA 13 7.2.4.1, older numbering, as quoted by others: above 500 gal (1893 L)",
)
QUICK_OPENING_TIME = Limit(
    value=60.0,
    source="NFPA 13 7.2.3, older numbering, as quoted by others: water at the test outlet in 60 s",
)
FILL = Limit(value=30 * _MINUTE, source="NFPA 13, air supply of dry systems: 30 min (from memory)")
FILL_COLD = Limit(
    value=60 * _MINUTE,
    source="NFPA 13, air supply of dry systems below 5 °F (−15 °C): 60 min (from memory)",
)
COLD = -15.0
"""degC (5 degF), below which the longer time to fill holds (from memory)."""
COOL_DOWN = Limit(
    value=30 * _MINUTE,
    source="fill one system at a time and let the compressor cool between (common practice); "
           "30 min is a setting",
)
VENTS = Limit(value=1, source="at least one purge vent per riser (common practice)")
