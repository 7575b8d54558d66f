r"""Flow of gas through a hole or a nozzle: choked when the pressure is high enough, else adiabatic.

For air and nitrogen into the atmosphere the flow is choked above about 0.9 bar gauge.

References
----------
[1] Moss formula and table for the discharge of air through an orifice (S. A. Moss, 1906), as
    printed in engineers' handbooks: W = 0.5303 A C P / sqrt(T); cubic feet of free air at 70 degF,
    0.07494 lb/ft3.
"""

from __future__ import annotations

import math

from collector.physics._checks import non_negative, positive
from collector.physics.gas import MOLAR_MASS_NITROGEN, R

__all__ = ["SHARP_EDGE", "critical_pressure_ratio", "orifice_flow"]

SHARP_EDGE = 0.65
"""Discharge coefficient of a sharp-edged hole [1]; a leak looks like this."""

_GAMMA = 1.4


def critical_pressure_ratio(gamma: float = _GAMMA) -> float:
    r"""Ratio of outlet to inlet pressure at and below which the flow is choked.

    .. math:: r_c = \left(\frac{2}{\gamma + 1}\right)^{\gamma/(\gamma - 1)}

    Parameters
    ----------
    gamma : ratio of specific heats, above 1; 1.4 for air and nitrogen.

    Returns
    -------
    Ratio of absolute pressures.

    Raises
    ------
    ValueError
        A gamma that is not above 1.

    Examples
    --------
    0.528 for air is in every textbook on gas dynamics (from memory).

    >>> round(critical_pressure_ratio(), 3)
    0.528
    """
    if not gamma > 1:
        raise ValueError(f"gamma must be above 1, given {gamma!r}")
    return float((2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)))


def orifice_flow(
    area_m2: float,
    upstream_pa: float,
    downstream_pa: float,
    temperature_k: float,
    *,
    discharge: float = SHARP_EDGE,
    molar_mass: float = MOLAR_MASS_NITROGEN,
    gamma: float = _GAMMA,
) -> float:
    r"""Flow of an ideal gas through an orifice, choked or not.

    .. math::
        \dot m = C A p_1 \sqrt{\frac{2\gamma}{\gamma - 1} \frac{M}{R T}
        \left(r^{2/\gamma} - r^{(\gamma+1)/\gamma}\right)}, \quad r = \max(p_2/p_1, r_c)

    Long cracks and threads are not orifices: their friction makes them leak less, and more nearly
    in proportion to the difference of the squares of the pressures.

    Parameters
    ----------
    area_m2 : area of the hole, m2.
    upstream_pa, downstream_pa : absolute pressures before and behind it, Pa.
    temperature_k : temperature before it, K.
    discharge : discharge coefficient; a sharp-edged hole unless given.
    molar_mass : kg/mol; nitrogen unless given.
    gamma : ratio of specific heats.

    Returns
    -------
    Flow, mol/s; 0 when the pressures are equal.

    Raises
    ------
    ValueError
        A value out of its range, or an outlet pressure above the inlet.

    Examples
    --------
    [1]: 1/8 in, 60 psig, 70 degF, coefficient 1: 16.9 cfm of free air (the exact constant is
    0.3 % above the one of Moss, and the table rounds to three figures).

    >>> area = math.pi / 4 * (0.125 * 0.0254) ** 2
    >>> flow = orifice_flow(area, 74.7 * 6894.757, 14.7 * 6894.757, 530 / 1.8, discharge=1,
    ...                     molar_mass=0.0289647)
    >>> round(flow * 0.0289647 / 0.45359237 / 0.07494 * 60, 0)
    17.0
    """
    non_negative("area_m2", area_m2)
    positive("upstream_pa", upstream_pa)
    non_negative("downstream_pa", downstream_pa)
    positive("temperature_k", temperature_k)
    positive("discharge", discharge)
    positive("molar_mass", molar_mass)
    if downstream_pa > upstream_pa:
        raise ValueError(
            f"downstream_pa {downstream_pa!r} must not exceed upstream_pa {upstream_pa!r}"
        )
    ratio = max(downstream_pa / upstream_pa, critical_pressure_ratio(gamma))
    drop = ratio ** (2.0 / gamma) - ratio ** ((gamma + 1.0) / gamma)
    root = math.sqrt(2.0 * gamma / (gamma - 1.0) * molar_mass / (R * temperature_k) * drop)
    return discharge * area_m2 * upstream_pa * root / molar_mass
