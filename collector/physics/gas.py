"""How much gas a pipe or a tank holds.

The ideal gas law is used throughout. For nitrogen and air between 40 and 100 degF and up to
94.7 psia its amount is within 0.4 % of the real gas (the compressibility factor stays between
0.996 and 1); a test holds this against a reference library. Whoever wants the rest passes
``compressibility``.

References
----------
[1] CODATA recommended values of the fundamental physical constants, 2018. NIST.
[2] Smith, Van Ness, Abbott: Introduction to Chemical Engineering Thermodynamics, the Pitzer
    correlation for the second virial coefficient (coefficients from memory).
[3] Span et al.: A reference equation of state for nitrogen. J. Phys. Chem. Ref. Data 29 (2000)
    1361-1433, as computed by CoolProp.
"""

from __future__ import annotations

from collector.physics._checks import between, non_negative, positive

__all__ = [
    "MOLAR_MASS_AIR",
    "MOLAR_MASS_NITROGEN",
    "R",
    "amount",
    "nitrogen_compressibility",
    "pressure",
    "standard_molar_volume",
]

R = 8.314462618
"""Molar gas constant, J/(mol K) [1]."""

MOLAR_MASS_NITROGEN = 0.0280134
"""kg/mol."""

MOLAR_MASS_AIR = 0.0289647
"""kg/mol, dry air."""


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


def pressure(
    amount_mol: float, volume_m3: float, temperature_k: float, *, compressibility: float = 1.0
) -> float:
    r"""Absolute pressure of an amount of gas in a volume: the inverse of :func:`amount`.

    .. math:: p = \frac{n Z R T}{V}

    Parameters
    ----------
    amount_mol : amount, mol.
    volume_m3 : volume, m3.
    temperature_k : temperature of the gas, K.
    compressibility : Z, 1 for the ideal gas.

    Returns
    -------
    Pressure, Pa absolute.

    Raises
    ------
    ValueError
        A negative amount, or a volume, temperature or Z that is not above zero.

    Examples
    --------
    CODATA 2018 [1]: one mole in 22.710 954 64 L at 273.15 K is at 100 kPa.

    >>> round(pressure(1, 0.02271095464, 273.15), 3)
    100000.0
    """
    non_negative("amount_mol", amount_mol)
    positive("volume_m3", volume_m3)
    positive("temperature_k", temperature_k)
    positive("compressibility", compressibility)
    return amount_mol * compressibility * R * temperature_k / volume_m3


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


def nitrogen_compressibility(pressure_pa: float, temperature_k: float) -> float:
    r"""Compressibility factor of nitrogen from its second virial coefficient [2].

    .. math::
        Z = 1 + \left(B^0 + \omega B^1\right) \frac{p_r}{T_r}, \quad
        B^0 = 0.083 - \frac{0.422}{T_r^{1.6}}, \quad B^1 = 0.139 - \frac{0.172}{T_r^{4.2}}

    Parameters
    ----------
    pressure_pa : absolute pressure, Pa; up to 1 MPa.
    temperature_k : temperature, K; 230 to 350.

    Returns
    -------
    Z, within 0.001 of the reference equation of state in this range.

    Raises
    ------
    ValueError
        Outside the range.

    Examples
    --------
    The reference equation of state [3] gives 0.99916 at 54.7 psia and 70 degF, 0.99981 at
    29.7 psia and 100 degF:

    >>> psi = 6894.757
    >>> round(nitrogen_compressibility(54.7 * psi, 529.67 / 1.8), 3)
    0.999
    >>> round(nitrogen_compressibility(29.7 * psi, 559.67 / 1.8), 3)
    1.0
    """
    between("pressure_pa", pressure_pa, 0.0, 1.0e6)
    between("temperature_k", temperature_k, 230.0, 350.0)
    reduced = temperature_k / 126.192
    simple: float = 0.083 - 0.422 / reduced**1.6
    acentric: float = 0.139 - 0.172 / reduced**4.2
    return 1.0 + (simple + 0.0372 * acentric) * (pressure_pa / 3.3958e6) / reduced
