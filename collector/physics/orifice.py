r"""Flow of gas through a hole or a nozzle: choked when the pressure is high enough, else adiabatic.

For air and nitrogen into the atmosphere the flow is choked above about 0.9 bar gauge.

References
----------
[1] Moss formula and table for the discharge of air through an orifice (S. A. Moss, 1906), as
    printed in engineers' handbooks: W = 0.5303 A C P / sqrt(T); cubic feet of free air at 70 degF,
    0.07494 lb/ft3.
[2] DOE Compressed Air Tip Sheet 3, Minimize Compressed Air Leaks (August 2004): leakage is
    proportional to the square of the orifice diameter.
"""

from __future__ import annotations

import math

from collector.physics._checks import non_negative, positive
from collector.physics.gas import MOLAR_MASS_NITROGEN, R

__all__ = [
    "MOSS_CONSTANT",
    "ROUNDED_ENTRANCE",
    "SHARP_EDGE",
    "choked_constant",
    "critical_pressure_ratio",
    "moss_mass_flow",
    "orifice_diameter",
    "orifice_flow",
]

SHARP_EDGE = 0.65
"""Discharge coefficient of a sharp-edged hole [1]; a leak looks like this."""

ROUNDED_ENTRANCE = 0.97
"""Discharge coefficient of a rounded entrance [1]; a nozzle looks like this."""

MOSS_CONSTANT = 0.5303
"""Constant of Moss, lb/s for in2, psia and degrees Rankine [1]."""

_GAMMA = 1.4
# lb/(s in2 psi) times the root of degR, into kg/(s m2 Pa) times the root of K
_TO_SI = 0.45359237 / (0.0254**2 * 6894.757293168) / math.sqrt(1.8)


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


def choked_constant(gamma: float = _GAMMA, molar_mass: float = 0.0289647) -> float:
    r"""Constant of choked flow in Moss's units: exact where he has 0.5303.

    .. math:: K = \sqrt{\frac{\gamma M}{R} \left(\frac{2}{\gamma+1}\right)^{(\gamma+1)/(\gamma-1)}}

    Parameters
    ----------
    gamma : ratio of specific heats, above 1.
    molar_mass : kg/mol; dry air unless given.

    Returns
    -------
    K in lb/s for in2, psia and degrees Rankine.

    Raises
    ------
    ValueError
        A gamma that is not above 1.

    Examples
    --------
    0.532 for air in textbooks (Fliegner's constant; from memory): Moss [1] is 0.3 % lower.

    >>> round(choked_constant(), 3)
    0.532
    """
    return _choked(gamma, molar_mass) / _TO_SI


def moss_mass_flow(
    area_m2: float, upstream_pa: float, temperature_k: float, *, discharge: float = 1.0
) -> float:
    r"""Mass flow of air through an orifice by the formula of Moss [1], choked flow only.

    .. math:: W = 0.5303 \frac{A C P}{\sqrt{T}}

    Parameters
    ----------
    area_m2 : area of the hole, m2.
    upstream_pa : absolute pressure before it, Pa; above about twice the pressure behind it.
    temperature_k : temperature before it, K.
    discharge : discharge coefficient C.

    Returns
    -------
    Mass flow, kg/s.

    Raises
    ------
    ValueError
        A value that is not above zero.

    Examples
    --------
    [1]: a hole of 1/4 in at 100 psig and 70 degF passes 104 cfm of free air (0.07494 lb/ft3).

    >>> area = math.pi / 4 * (0.25 * 0.0254) ** 2
    >>> flow = moss_mass_flow(area, 114.7 * 6894.757, 530 / 1.8)
    >>> round(flow / 0.45359237 / 0.07494 * 60)
    104
    """
    positive("area_m2", area_m2)
    positive("upstream_pa", upstream_pa)
    positive("temperature_k", temperature_k)
    positive("discharge", discharge)
    return MOSS_CONSTANT * _TO_SI * area_m2 * discharge * upstream_pa / math.sqrt(temperature_k)


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


def orifice_diameter(
    flow_mol_per_s: float,
    upstream_pa: float,
    downstream_pa: float,
    temperature_k: float,
    *,
    discharge: float = SHARP_EDGE,
    molar_mass: float = MOLAR_MASS_NITROGEN,
) -> float:
    r"""Diameter of the one round hole that would leak as much: a size a technician can picture.

    .. math:: d = \sqrt{\frac{4}{\pi} \frac{\dot n}{\dot n_{\text{per area}}}}

    Parameters
    ----------
    flow_mol_per_s : leak, mol/s.
    upstream_pa, downstream_pa : absolute pressures, Pa; they must differ.
    temperature_k : temperature, K.
    discharge : discharge coefficient; a sharp-edged hole unless given.
    molar_mass : kg/mol.

    Returns
    -------
    Diameter, m.

    Raises
    ------
    ValueError
        As :func:`orifice_flow`, or equal pressures, which pass nothing.

    Examples
    --------
    [1]: 104 cfm at 100 psig, coefficient 1, is the hole of 1/4 in.

    >>> flow = 104 / 60 * 0.07494 * 0.45359237 / 0.0289647
    >>> d = orifice_diameter(flow, 114.7 * 6894.757, 14.7 * 6894.757, 530 / 1.8, discharge=1,
    ...                      molar_mass=0.0289647)
    >>> round(d / 0.0254, 2)
    0.25
    """
    non_negative("flow_mol_per_s", flow_mol_per_s)
    per_area = orifice_flow(
        1.0, upstream_pa, downstream_pa, temperature_k, discharge=discharge, molar_mass=molar_mass
    )
    if per_area <= 0:
        raise ValueError("equal pressures before and behind the hole pass nothing")
    return math.sqrt(4.0 / math.pi * flow_mol_per_s / per_area)


def _choked(gamma: float, molar_mass: float) -> float:
    critical_pressure_ratio(gamma)  # refuses a gamma that is not above 1
    power = (gamma + 1.0) / (gamma - 1.0)
    return math.sqrt(gamma * molar_mass / R * (2.0 / (gamma + 1.0)) ** power)
