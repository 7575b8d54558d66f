r"""Leak of a closed volume from its pressure and temperature.

The temperature matters more than most leaks do: at 40 psig, 10 degF of cooling alone takes 1 psi.

References
----------
[1] 40 CFR 1065.644, vacuum-decay leak rate (inputs of its example; the answer from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

from collector.physics._checks import positive
from collector.physics.estimate import Estimate, Refusal
from collector.physics.gas import R
from collector.physics.regression import fit_line

__all__ = ["DAY", "leak_rate", "pressure_drop"]

DAY = 86_400.0
"""Seconds in 24 h, the time that leaks are quoted for."""

MIN_SAMPLES = 8
_PLAIN = 0.1
"""Share of the gas above which a loss is plain whatever the gauge's noise."""


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
    (:func:`collector.physics.regression.fit_line`), because the gas lags its sensor, the rounding
    of a gauge repeats itself, and a leak that shrinks with the pressure is no line. It cannot see
    a temperature that is wrong by a steady drift: 1 K a day at 40 psig looks like a leak of 0.19
    psi a day.

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
    samples, ``too-short`` when all were taken at one time, or ``not-one-rate`` when much of the gas
    went (or came) and a line through it cannot distinguish that from zero.

    Raises
    ------
    ValueError
        Unequal lengths, a pressure, temperature or volume that is not above zero.

    Examples
    --------
    [1]: 2.0000 L rises from 25.300 to 50.600 kPa at 293.15 K in 70 s, as a straight rise read
    every 10 s: 0.00030 mol/s come in.

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
    line = fit_line(times_s, held, weights)
    low, high = line.slope.interval()
    moved = abs(line.slope.value) * (max(times_s) - min(times_s)) / max(held)
    if low <= 0.0 <= high and moved > _PLAIN:
        return Refusal(
            code="not-one-rate",
            reason=f"{100 * moved:.0f} % of the gas moved, but not at one rate: what leaks changed "
            "or fell with the pressure",
        )
    return line.slope.scaled(-1.0 / R).times(Estimate(value=volume_m3, deviation=volume_deviation))


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
