"""Units of record and durations, as plain numbers.

Instants and durations are integers in milliseconds; pressures in pascals where physics needs them.
"""

from __future__ import annotations

__all__ = ["DAY", "HOUR", "MINUTE", "PSI", "SECOND", "WEEK", "ZERO_CELSIUS"]

SECOND = 1000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR
WEEK = 7 * DAY

PSI = 6894.757293168
"""One pound-force per square inch in pascals: 0.45359237 kg x 9.80665 m/s2 / (0.0254 m)2."""

ZERO_CELSIUS = 273.15
"""0 degrees C in kelvin."""
