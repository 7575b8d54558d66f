r"""Oxygen in a room that nitrogen escapes into, and how long the room takes to clear.

Well-mixed rooms; a real one holds pockets. A mixing factor of up to 10 is in [1].

**Nitrogen displaces oxygen: a release in a small or closed room can kill without warning.
Ventilate, measure, never enter on a computed value.**

References
----------
[1] CDC: Guidelines for preventing the transmission of Mycobacterium tuberculosis in health-care
    facilities, MMWR 43 (RR-13), 28 October 1994, table S3-1.
[2] Oxygen deficiency hazard model of LBNL, JLab and Fermilab (read in a restatement).
[3] OSHA interpretation letter, 2 April 2007, on 29 CFR 1910.134(d)(2)(iii).
[4] McManus: Safety and Health in Confined Spaces; 19.5 % at sea level corresponds to 610 m.
"""

from __future__ import annotations

import math

from collector.physics._checks import fraction, non_negative, positive
from collector.physics.atmosphere import OXYGEN_IN_AIR, STANDARD_PRESSURE, pressure_at_altitude

__all__ = [
    "OXYGEN_DEFICIENT",
    "OXYGEN_ENRICHED",
    "clearing_time",
    "fatality_factor",
    "oxygen_after_release",
    "oxygen_during_release",
    "oxygen_partial_pressure",
    "sea_level_equivalent",
]

OXYGEN_DEFICIENT = 0.195
"""Below this a room is oxygen-deficient and immediately dangerous [3]."""

OXYGEN_ENRICHED = 0.235
"""Above this a room is oxygen-enriched, 29 CFR 1910.146(b)."""

_PASCAL_PER_MMHG = STANDARD_PRESSURE / 760.0


def clearing_time(removed: float, air_changes_per_s: float, *, mixing_factor: float = 1.0) -> float:
    r"""Time for ventilation to remove a share of a contaminant [1].

    .. math:: t = -K \frac{\ln(1 - \eta)}{Q/V}

    Parameters
    ----------
    removed : share removed, 0 to below 1.
    air_changes_per_s : ventilation Q/V, 1/s (air changes per hour over 3600).
    mixing_factor : K, 1 for perfect mixing, up to 10 for a bad room.

    Returns
    -------
    Time, s.

    Raises
    ------
    ValueError
        A share outside the range, a ventilation not above zero, a mixing factor below 1.

    Examples
    --------
    [1]: 6 air changes per hour remove 90, 99 and 99.9 % in 23, 46 and 69 min.

    >>> [round(clearing_time(share, 6 / 3600) / 60) for share in (0.9, 0.99, 0.999)]
    [23, 46, 69]
    """
    if not 0 <= removed < 1:
        raise ValueError(f"removed must be at least 0 and below 1, given {removed!r}")
    positive("air_changes_per_s", air_changes_per_s)
    if not mixing_factor >= 1:
        raise ValueError(f"mixing_factor must be at least 1, given {mixing_factor!r}")
    return -mixing_factor * math.log1p(-removed) / air_changes_per_s


def oxygen_during_release(
    elapsed_s: float,
    volume_m3: float,
    release_m3_per_s: float,
    ventilation_m3_per_s: float,
    *,
    blown_in: bool = False,
    released_oxygen: float = 0.0,
    outside: float = OXYGEN_IN_AIR,
) -> float:
    r"""Oxygen of a room while gas is released into it [2].

    With a fan that blows fresh air in (Q) beside the release (R):

    .. math:: x = x_\infty + (x_a - x_\infty) e^{-(Q+R)t/V}, \quad
        x_\infty = \frac{Q x_a + R x_r}{Q + R}

    With a fan that draws air out, make-up air is what the release leaves of Q:

    .. math:: x_\infty = x_a - (x_a - x_r) \min(R/Q, 1), \text{ rate } \max(Q, R)/V

    Parameters
    ----------
    elapsed_s : time since the release began, s, the room being at ``outside`` then.
    volume_m3 : volume of the room, m3.
    release_m3_per_s : gas released, at room conditions, m3/s.
    ventilation_m3_per_s : flow of the fan, m3/s; 0 for none.
    blown_in : whether the fan blows in; else it draws out.
    released_oxygen : oxygen fraction of the gas released; 0 for pure nitrogen.
    outside : oxygen fraction of fresh air.

    Returns
    -------
    Oxygen fraction.

    Raises
    ------
    ValueError
        A negative time or flow, a volume not above zero, a fraction outside 0..1.

    Examples
    --------
    [2], a release without any fan displaces x = 0.21 exp(-R t / V): after one room volume 7.7 %
    are left (21 % over e).

    >>> round(oxygen_during_release(100, 50, 0.5, 0, outside=0.21), 3)
    0.077
    """
    non_negative("elapsed_s", elapsed_s)
    positive("volume_m3", volume_m3)
    release = non_negative("release_m3_per_s", release_m3_per_s)
    fan = non_negative("ventilation_m3_per_s", ventilation_m3_per_s)
    fraction("released_oxygen", released_oxygen)
    fraction("outside", outside)
    through = fan + release if blown_in else max(fan, release)
    if through == 0:
        return outside
    final = outside - (outside - released_oxygen) * release / through
    return final + (outside - final) * math.exp(-through * elapsed_s / volume_m3)


def oxygen_after_release(
    at_end: float, elapsed_s: float, air_changes_per_s: float, *, outside: float = OXYGEN_IN_AIR
) -> float:
    r"""Oxygen of a room after the release ended [2].

    .. math:: x = x_a - (x_a - x_e) e^{-Q t/V}

    Parameters
    ----------
    at_end : oxygen fraction when the release ended.
    elapsed_s : time since then, s.
    air_changes_per_s : ventilation Q/V, 1/s.
    outside : oxygen fraction of fresh air.

    Returns
    -------
    Oxygen fraction.

    Raises
    ------
    ValueError
        A fraction outside 0..1, a negative time or ventilation.

    Examples
    --------
    [1]: 2 air changes per hour remove 90 % of the deficit in 69 min.

    >>> left = 0.209476 - oxygen_after_release(0.109476, 69 * 60, 2 / 3600)
    >>> round(left, 3)
    0.01
    """
    fraction("at_end", at_end)
    fraction("outside", outside)
    non_negative("elapsed_s", elapsed_s)
    non_negative("air_changes_per_s", air_changes_per_s)
    return outside - (outside - at_end) * math.exp(-air_changes_per_s * elapsed_s)


def oxygen_partial_pressure(oxygen: float, pressure_pa: float = STANDARD_PRESSURE) -> float:
    r"""Partial pressure of oxygen: what the body feels.

    .. math:: p_{O_2} = x p

    Parameters
    ----------
    oxygen : oxygen fraction.
    pressure_pa : absolute pressure of the room, Pa.

    Returns
    -------
    Partial pressure, Pa.

    Raises
    ------
    ValueError
        A fraction outside 0..1 or a negative pressure.

    Examples
    --------
    [2]: 18 % at 760 mmHg is 136.8 mmHg.

    >>> round(oxygen_partial_pressure(0.18) / 101325 * 760, 1)
    136.8
    """
    return fraction("oxygen", oxygen) * non_negative("pressure_pa", pressure_pa)


def sea_level_equivalent(altitude_m: float, oxygen: float = OXYGEN_IN_AIR) -> float:
    r"""Oxygen fraction at sea level that has the same partial pressure as at an altitude.

    .. math:: x_{eq} = x \frac{p(z)}{p_0}

    Parameters
    ----------
    altitude_m : geometric altitude, m.
    oxygen : oxygen fraction at that altitude.

    Returns
    -------
    Oxygen fraction.

    Raises
    ------
    ValueError
        A fraction outside 0..1 or an altitude outside -1 000 to 11 000.

    Examples
    --------
    [4]: fresh air at 610 m is like 19.5 % at sea level.

    >>> round(sea_level_equivalent(610), 3)
    0.195
    """
    return fraction("oxygen", oxygen) * pressure_at_altitude(altitude_m) / STANDARD_PRESSURE


def fatality_factor(oxygen: float, pressure_pa: float = STANDARD_PRESSURE) -> float:
    r"""Probability that someone present dies, by the closed form of the hazard model [2].

    .. math:: F = 10^{(65 - p_{O_2}[\mathrm{mmHg}])/10}

    0 above 135 mmHg (about 18 % at sea level), 1 below 65 mmHg (8.8 %). It ranks risks in a
    survey; it never says that a room is safe.

    Parameters
    ----------
    oxygen : oxygen fraction.
    pressure_pa : absolute pressure of the room, Pa.

    Returns
    -------
    Factor, 0 to 1.

    Raises
    ------
    ValueError
        A fraction outside 0..1 or a negative pressure.

    Examples
    --------
    [2]: 1e-7 at 135 mmHg and 1 at 65 mmHg.

    >>> f"{fatality_factor(134.99 / 760):.0e}", round(fatality_factor(65 / 760), 9)
    ('1e-07', 1.0)
    """
    mmhg = oxygen_partial_pressure(oxygen, pressure_pa) / _PASCAL_PER_MMHG
    return 0.0 if mmhg > 135.0 else min(1.0, 10.0 ** ((65.0 - mmhg) / 10.0))
