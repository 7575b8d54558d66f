r"""Leakage that the fire standards allow, as a flow for a pipe's volume and pressure.

The standards state a loss of pressure at one test pressure; a riser in service is at
another. The limit is carried over as the flow that one small hole would pass.

References
----------
[1] NFPA 25 (2014), three-year test of dry-pipe systems: at 40 psi it may lose up to 3 psi in 2 h
    (read in a quotation). In service. Some prints say 3.2 bar for 40 psi, which is wrong: it is
    2.76 bar.
"""

from __future__ import annotations

from dataclasses import dataclass

from collector.domain.units import PSI
from collector.physics._checks import positive
from collector.physics.gas import amount
from collector.physics.leak import pressure_drop
from collector.physics.orifice import orifice_flow

__all__ = ["IN_SERVICE", "TightnessTest", "allowed_flow", "allowed_psi_per_day"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TightnessTest:
    """A test: gauge pressure and permitted loss in Pa, duration in s, and where it is written."""

    gauge_pa: float
    loss_pa: float
    duration_s: float
    source: str


IN_SERVICE = TightnessTest(
    gauge_pa=40 * PSI, loss_pa=3.0 * PSI, duration_s=7200.0, source="NFPA 25 (2014), 3-year test"
)
"""The test of pipe in service [1]."""


def allowed_flow(
    test: TightnessTest,
    volume_m3: float,
    gauge_pa: float,
    ambient_pa: float,
    temperature_k: float,
) -> float:
    r"""Leak that a test permits in a pipe of this volume, at its present pressure.

    .. math:: \dot n = \frac{V \Delta p}{R T t} \cdot
        \frac{\Phi(p + p_a, p_a)}{\Phi(p_{test} + p_a, p_a)}

    with Phi the flow through an orifice: above 0.9 bar gauge a hole leaks in proportion to the
    absolute pressure. Leaks through threads fall faster with pressure, so that at low pressure
    this limit is the generous one.

    Parameters
    ----------
    test : the test.
    volume_m3 : volume of the pipe, m3.
    gauge_pa : pressure it stands at, Pa gauge, above 0.
    ambient_pa : atmospheric pressure, Pa absolute.
    temperature_k : temperature, K.

    Returns
    -------
    Permitted leak, mol/s.

    Raises
    ------
    ValueError
        A value that is not above zero.

    Examples
    --------
    [1] at its own pressure: 3 psi in 2 h out of 100 ft3, at 70 degF, is 3/14.696 of 100 ft3 in
    2 h: 10.2 cubic feet of free air an hour.

    >>> from collector.physics.gas import standard_molar_volume
    >>> flow = allowed_flow(IN_SERVICE, 100 * 0.028316847, 40 * PSI, 101_325, 294.26)
    >>> round(flow * standard_molar_volume(294.26) / 0.028316847 * 3600, 1)
    10.2
    """
    positive("gauge_pa", gauge_pa)
    positive("ambient_pa", ambient_pa)
    permitted = amount(test.loss_pa, volume_m3, temperature_k) / test.duration_s
    here = orifice_flow(1.0, gauge_pa + ambient_pa, ambient_pa, temperature_k)
    there = orifice_flow(1.0, test.gauge_pa + ambient_pa, ambient_pa, temperature_k)
    return permitted * here / there


def allowed_psi_per_day(test: TightnessTest, gauge_pa: float, ambient_pa: float) -> float:
    r"""Loss of pressure in 24 h that a test permits at a pipe's present pressure.

    The same as :func:`allowed_flow` as a gauge would show it; the volume cancels out.

    Parameters
    ----------
    test : the test.
    gauge_pa : pressure it stands at, Pa gauge, above 0.
    ambient_pa : atmospheric pressure, Pa absolute.

    Returns
    -------
    psi in 24 h.

    Raises
    ------
    ValueError
        A value that is not above zero.

    Examples
    --------
    [1] is 36 psi in 24 h, were it to go on as it began.

    >>> round(allowed_psi_per_day(IN_SERVICE, 40 * PSI, 101_325), 9)
    36.0
    """
    temperature = 293.15  # cancels out
    flow = allowed_flow(test, 1.0, gauge_pa, ambient_pa, temperature)
    return pressure_drop(flow, 1.0, temperature) / PSI
