"""Gas content of a pipe or a tank.

The ideal gas law is used throughout. For nitrogen and air between 40 and 100 degF and up to
94.7 psia its amount is within 0.4 % of the real gas (the compressibility factor stays between
0.996 and 1); a test holds this against a reference library. For the rest, pass
``compressibility``.

References
----------
[1] CODATA recommended values of the fundamental physical constants, 2018. NIST.
"""

from __future__ import annotations

from collector.physics._checks import non_negative, positive

__all__ = ["MOLAR_MASS_NITROGEN", "R", "amount", "standard_molar_volume"]

R = 8.314462618
"""Molar gas constant, J/(mol K) [1]."""

MOLAR_MASS_NITROGEN = 0.0280134
"""kg/mol."""


def amount(
    pressure_pa: float, volume_m3: float, temperature_k: float, *, compressibility: float = 1.0
) -> float:
    r"""Amount of gas in a volume.

    .. math:: n = \frac{p V}{Z R T}

    Parameters
    ----------
    pressure_pa : absolute pressure, Pa.
    volume_m3 : volume, m3.
    temperature_k : temperature of the gas, K.
    compressibility : Z, 1 for the ideal gas (within 0.4 % in this trade's range, see above).

    Returns
    -------
    Amount, mol.

    Raises
    ------
    ValueError
        A negative pressure, or a volume, temperature or Z that is not above zero.

    Examples
    --------
    CODATA 2018 [1] gives 22.413 969 54 L for one mole at 273.15 K and 101.325 kPa:

    >>> round(amount(101_325, 0.02241396954, 273.15), 9)
    1.0
    """
    non_negative("pressure_pa", pressure_pa)
    positive("volume_m3", volume_m3)
    positive("temperature_k", temperature_k)
    positive("compressibility", compressibility)
    return pressure_pa * volume_m3 / (compressibility * R * temperature_k)


def standard_molar_volume(base_temperature_k: float, base_pressure_pa: float = 101_325.0) -> float:
    r"""Volume of one mole at the base conditions that "standard" means at a site.

    .. math:: v = \frac{R T_b}{p_b}

    There are many bases (0 degC, 15 degC, 60 degF, 68 degF, 70 degF); a "standard" volume
    without its base is uncertain by 7 %, so the base is a setting and never assumed here.

    Parameters
    ----------
    base_temperature_k : base temperature, K.
    base_pressure_pa : base pressure, Pa absolute; 101 325 Pa (14.696 psia) unless said.

    Returns
    -------
    Molar volume, m3/mol.

    Raises
    ------
    ValueError
        A base that is not above zero.

    Examples
    --------
    CODATA 2018 [1], 273.15 K and 101.325 kPa, in litres:

    >>> round(standard_molar_volume(273.15) * 1000, 6)
    22.41397
    """
    positive("base_temperature_k", base_temperature_k)
    positive("base_pressure_pa", base_pressure_pa)
    return R * base_temperature_k / base_pressure_pa
