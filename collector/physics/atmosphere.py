"""Atmospheric pressure by altitude, and oxygen in air.

References
----------
[1] U.S. Standard Atmosphere, 1976. NOAA, NASA, USAF; NOAA-S/T 76-1562, Washington 1976.
"""

from __future__ import annotations

import math

from collector.physics._checks import between

__all__ = [
    "OXYGEN_IN_AIR",
    "STANDARD_PRESSURE",
    "geopotential_altitude",
    "pressure_at_altitude",
]

OXYGEN_IN_AIR = 0.209476
"""Mole fraction of oxygen in dry air [1], table 3. The one such number in this project."""

STANDARD_PRESSURE = 101_325.0
"""Pressure at mean sea level, Pa [1]."""

_EARTH_RADIUS = 6_356_766.0  # m, the effective radius of [1], equation 18
_SEA_LEVEL_TEMPERATURE = 288.15  # K
_LAPSE_RATE = 0.0065  # K per geopotential metre
# g0 M / (R* L) with the constants of [1]: R* is the 1976 value, not today's.
_EXPONENT = 9.80665 * 28.9644 / (8314.32 * _LAPSE_RATE)


def geopotential_altitude(altitude_m: float) -> float:
    r"""Geopotential altitude of a geometric altitude [1].

    .. math:: H = \frac{r_0 z}{r_0 + z}

    Parameters
    ----------
    altitude_m : geometric altitude above mean sea level, m; -1 000 to 11 000.

    Returns
    -------
    Geopotential altitude, m.

    Raises
    ------
    ValueError
        Outside the range.

    Examples
    --------
    Table I of [1] lists a geometric 5 000 m against 4 996 geopotential metres:

    >>> round(geopotential_altitude(5_000))
    4996
    """
    z = between("altitude_m", altitude_m, -1_000.0, 11_000.0)
    return _EARTH_RADIUS * z / (_EARTH_RADIUS + z)


def pressure_at_altitude(altitude_m: float) -> float:
    r"""Atmospheric pressure at a geometric altitude, U.S. Standard Atmosphere 1976 [1].

    .. math:: p = p_0 \left(1 - \frac{L H}{T_0}\right)^{g_0 M / (R^* L)}

    The weather moves the true pressure about 3 % around it, so a gauge pressure becomes
    absolute within about 3 kPa.

    Parameters
    ----------
    altitude_m : geometric altitude above mean sea level (what a map says), m;
        -1 000 to 11 000. It is not the geopotential altitude of aviation.

    Returns
    -------
    Pressure, Pa absolute.

    Raises
    ------
    ValueError
        Outside the range.

    Examples
    --------
    Table I of [1]: 845.59 hPa at 1 500 m and 701.21 hPa at 3 000 m.

    >>> round(pressure_at_altitude(1_500) / 100, 1)
    845.6
    >>> round(pressure_at_altitude(3_000) / 100, 2)
    701.21
    """
    height = geopotential_altitude(altitude_m)
    ratio = 1.0 - _LAPSE_RATE * height / _SEA_LEVEL_TEMPERATURE
    return STANDARD_PRESSURE * math.pow(ratio, _EXPONENT)
