r"""Leak of a closed volume from its pressure and temperature.

The temperature matters more than most leaks do: at 40 psig, 10 degF of cooling alone takes 1 psi.

References
----------
[1] 40 CFR 1065.644, vacuum-decay leak rate (inputs of its example; the answer from memory).
[2] NAVFAC MO-209, Maintenance of steam, hot water and compressed air distribution systems,
    table 5-3: bleed-down of a compressed-air system.
[3] ASTM C828, low-pressure air test of clay pipe lines, appendix X1: T = K D^2 L / Q,
    K = 0.371e-3 min for D in inches, L in feet, Q in cubic feet a minute, a drop of 1 psi.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from collector.physics._checks import positive
from collector.physics.estimate import Estimate, Refusal
from collector.physics.gas import R
from collector.physics.regression import fit_line

__all__ = [
    "DAY",
    "bleed_down_flow",
    "compensated_drop",
    "decay_test_time",
    "leak_between",
    "leak_rate",
    "pressure_drop",
]

DAY = 86_400.0
"""Seconds in 24 h, the time that leaks are quoted for."""

MIN_SAMPLES = 8


def leak_between(
    volume_m3: float,
    first_pa: float,
    first_k: float,
    last_pa: float,
    last_k: float,
    elapsed_s: float,
) -> float:
    r"""Leak from two readings of pressure and temperature [1].

    .. math:: \dot n = \frac{V}{R} \frac{p_1/T_1 - p_2/T_2}{t_2 - t_1}

    Parameters
    ----------
    volume_m3 : volume, m3.
    first_pa, last_pa : absolute pressures, Pa.
    first_k, last_k : temperatures of the gas, K.
    elapsed_s : time between them, s.

    Returns
    -------
    Loss, mol/s; below zero when gas came in.

    Raises
    ------
    ValueError
        A volume, pressure, temperature or time that is not above zero.

    Examples
    --------
    [1]: 2.0000 L rises from 25.300 to 50.600 kPa at 293.15 K in 70 s: 0.00030 mol/s come in.

    >>> round(leak_between(0.002, 25_300, 293.15, 50_600, 293.15, 70), 5)
    -0.0003
    """
    positive("volume_m3", volume_m3)
    positive("elapsed_s", elapsed_s)
    first = positive("first_pa", first_pa) / positive("first_k", first_k)
    last = positive("last_pa", last_pa) / positive("last_k", last_k)
    return volume_m3 / R * (first - last) / elapsed_s


def leak_rate(
    times_s: Sequence[float],
    pressures_pa: Sequence[float],
    temperatures_k: Sequence[float],
    volume_m3: float,
    *,
    weights: Sequence[float] | None = None,
    volume_deviation: float = 0.0,
) -> Estimate | Refusal:
    r"""Leak of a closed volume from a series of pressures and temperatures.

    .. math:: \dot n = -\frac{V}{R} \frac{d}{dt}\left(\frac{p}{T}\right)

    by weighted least squares through p/T. The interval counts only independent samples
    (:func:`collector.physics.regression.fit_line`), because the gas lags its sensor and the
    rounding of a gauge repeats itself. It cannot see a temperature that is wrong by a steady
    drift: 1 K a day at 40 psig looks like a leak of 0.19 psi a day.

    Parameters
    ----------
    times_s : times, s; relative to any origin.
    pressures_pa : absolute pressures, Pa.
    temperatures_k : temperatures of the gas, K, one for each pressure.
    volume_m3 : volume, m3.
    weights : relative inverse variances, all 1 unless given.
    volume_deviation : standard deviation of the volume, m3.

    Returns
    -------
    Loss in mol/s (below zero when gas comes in) with its deviation, or a refusal: ``too-few``
    samples, or ``too-short`` when all were taken at one time.

    Raises
    ------
    ValueError
        Unequal lengths, a pressure, temperature or volume that is not above zero.

    Examples
    --------
    [1] once more, as a straight rise read every 10 s:

    >>> times = [10.0 * i for i in range(8)]
    >>> pressures = [25_300 + 25_300 * t / 70 for t in times]
    >>> found = leak_rate(times, pressures, [293.15] * 8, 0.002)
    >>> round(found.value, 5)
    -0.0003
    """
    positive("volume_m3", volume_m3)
    if len(times_s) != len(pressures_pa) or len(times_s) != len(temperatures_k):
        raise ValueError(
            f"{len(times_s)} times, {len(pressures_pa)} pressures and {len(temperatures_k)} "
            f"temperatures must be alike in number"
        )
    if len(times_s) < MIN_SAMPLES:
        return Refusal(
            code="too-few", reason=f"{len(times_s)} samples; at least {MIN_SAMPLES} are needed"
        )
    if max(times_s) == min(times_s):
        return Refusal(code="too-short", reason="all samples were taken at one time")
    held = [
        positive("pressure", p) / positive("temperature", t)
        for p, t in zip(pressures_pa, temperatures_k, strict=True)
    ]
    slope = fit_line(times_s, held, weights).slope.scaled(-1.0 / R)
    return slope.times(Estimate(value=volume_m3, deviation=volume_deviation))


def pressure_drop(
    flow_mol_per_s: float, volume_m3: float, temperature_k: float, duration_s: float = DAY
) -> float:
    r"""Drop in pressure that a leak causes, at constant temperature: what a gauge would show.

    .. math:: \Delta p = \frac{\dot n R T t}{V}

    Parameters
    ----------
    flow_mol_per_s : leak, mol/s.
    volume_m3 : volume, m3.
    temperature_k : temperature to quote it at, K.
    duration_s : time, s; 24 h unless given.

    Returns
    -------
    Drop, Pa. Leaks shrink as the pressure falls: it is the drop at the present rate.

    Raises
    ------
    ValueError
        A volume, temperature or time that is not above zero.

    Examples
    --------
    [1], turned round: -0.00029657 mol/s into 2 L at 293.15 K move 25.3 kPa in 70 s.

    >>> round(pressure_drop(-0.00029657, 0.002, 293.15, 70) / 1000, 1)
    -25.3
    """
    positive("volume_m3", volume_m3)
    positive("temperature_k", temperature_k)
    positive("duration_s", duration_s)
    return flow_mol_per_s * R * temperature_k * duration_s / volume_m3


def compensated_drop(first_pa: float, first_k: float, last_pa: float, last_k: float) -> float:
    r"""Drop in pressure that is left when the last reading is brought to the first temperature.

    .. math:: \Delta p = p_1 - p_2 \frac{T_1}{T_2}

    Parameters
    ----------
    first_pa, last_pa : absolute pressures, Pa.
    first_k, last_k : temperatures of the gas, K.

    Returns
    -------
    Drop at the first temperature, Pa; below zero when gas came in.

    Raises
    ------
    ValueError
        A pressure or temperature that is not above zero.

    Examples
    --------
    The law of Charles: a pressure that follows its temperature has not dropped.

    >>> round(compensated_drop(300_000, 300, 290_000, 290), 6)
    0.0
    """
    positive("first_pa", first_pa)
    positive("last_pa", last_pa)
    return first_pa - last_pa * positive("first_k", first_k) / positive("last_k", last_k)


def bleed_down_flow(
    volume_m3: float, first_pa: float, last_pa: float, elapsed_s: float, ambient_pa: float
) -> float:
    r"""Mean loss of free air while a closed volume bleeds down, temperature unchanged [2].

    .. math:: q = \frac{V (p_1 - p_2)}{p_a t}

    Parameters
    ----------
    volume_m3 : volume, m3.
    first_pa, last_pa : pressures, Pa, both gauge or both absolute.
    elapsed_s : time between them, s.
    ambient_pa : atmospheric pressure, Pa absolute.

    Returns
    -------
    Free air at ambient pressure, m3/s.

    Raises
    ------
    ValueError
        A volume, time or ambient pressure that is not above zero.

    Examples
    --------
    [2]: from 90 to 80 psig in 10 min 42 s: 40 scfm (the volume, 629 ft3, is implied by every row
    of the table).

    >>> psi, cubic_foot = 6894.757, 0.028316846592
    >>> q = bleed_down_flow(629 * cubic_foot, 90 * psi, 80 * psi, 642, 14.7 * psi)
    >>> round(q / cubic_foot * 60)
    40
    """
    positive("volume_m3", volume_m3)
    positive("elapsed_s", elapsed_s)
    positive("ambient_pa", ambient_pa)
    return volume_m3 * (first_pa - last_pa) / (ambient_pa * elapsed_s)


def decay_test_time(
    diameter_m: float, length_m: float, flow_m3_per_s: float, drop_pa: float, ambient_pa: float
) -> float:
    r"""Time in which a pipe may lose a drop in pressure, for a permitted loss of free air [3].

    .. math:: t = \frac{\pi}{4} D^2 L \frac{\Delta p}{p_a q}

    Parameters
    ----------
    diameter_m, length_m : inside diameter and length of the pipe, m.
    flow_m3_per_s : permitted loss of free air, m3/s.
    drop_pa : drop in pressure, Pa.
    ambient_pa : atmospheric pressure, Pa absolute.

    Returns
    -------
    Time, s.

    Raises
    ------
    ValueError
        A value that is not above zero.

    Examples
    --------
    [3]: for 1 in, 1 ft, 1 cfm and 1 psi, K = 0.371e-3 min.

    >>> t = decay_test_time(0.0254, 0.3048, 0.028316847 / 60, 6894.757, 14.7 * 6894.757)
    >>> round(t / 60 * 1000, 3)
    0.371
    """
    volume = math.pi / 4.0 * positive("diameter_m", diameter_m) ** 2
    volume *= positive("length_m", length_m)
    positive("drop_pa", drop_pa)
    return (
        volume
        * drop_pa
        / (positive("ambient_pa", ambient_pa) * positive("flow_m3_per_s", flow_m3_per_s))
    )
