r"""Oxygen in a pipe while it is purged.

A volume swept by a gas whose oxygen is :math:`x_{in}`, well mixed, obeys

.. math:: n \frac{dx}{dt} = \dot n (x_{in} - x)

Real pipe is not well mixed: dead legs lag, the remote end lags the riser end. What is computed here
is therefore the early answer; the forecast from the readings
(:mod:`collector.physics.purgeforecast`) is the later one.

References
----------
[1] KOSHA Guide C-C-85-2026, inert-gas purging. Korea Occupational Safety and Health Agency;
    Annex 3 (read in a restatement).
[2] A chapter of solved balances on stirred tanks, Problems 7.1, 7.2 and 7.4 (the book is
    probably Tosun, Modelling in Transport Phenomena; the title is from memory).
"""

from __future__ import annotations

import math

from collector.physics._checks import fraction, non_negative, positive

__all__ = ["sweep_oxygen", "sweep_time", "sweep_time_constant", "sweep_volumes"]


def sweep_time_constant(amount_mol: float, flow_mol_per_s: float) -> float:
    r"""Time constant of a well-mixed sweep.

    .. math:: \tau = n / \dot n

    Parameters
    ----------
    amount_mol : gas held by the system, mol.
    flow_mol_per_s : gas leaving through the vent, mol/s.

    Returns
    -------
    Time constant, s.

    Raises
    ------
    ValueError
        An amount or a flow that is not above zero.

    Examples
    --------
    [2], Problem 7.4a: 300 kg swept at 2 kg/min has a time constant of 150 min (the same ratio in
    mol).

    >>> sweep_time_constant(300, 2)
    150.0
    """
    return positive("amount_mol", amount_mol) / positive("flow_mol_per_s", flow_mol_per_s)


def sweep_volumes(initial: float, target: float, feed: float = 0.0) -> float:
    r"""Volume changes (multiples of the gas held) that bring a well-mixed system to a target.

    .. math:: N = \ln \frac{x_0 - x_{in}}{x - x_{in}}

    Parameters
    ----------
    initial, target, feed : oxygen fractions at the start, at the end, and of the product gas.

    Returns
    -------
    Number of volume changes; 0 when the target is already reached.

    Raises
    ------
    ValueError
        A value outside 0..1, or a feed that is not below the target: it is never reached.

    Examples
    --------
    [1], Annex 3: 28 m3 from 21 % to 1.25 % takes 79.2 m3 of nitrogen with 0.01 % oxygen, or
    79 m3 of pure nitrogen.

    >>> round(28 * sweep_volumes(0.21, 0.0125, 0.0001), 1)
    79.2
    >>> round(28 * sweep_volumes(0.21, 0.0125))
    79
    """
    fraction("initial", initial)
    fraction("target", target)
    fraction("feed", feed)
    if target >= initial:
        return 0.0
    if feed >= target:
        raise ValueError(f"a feed of {feed!r} oxygen never brings the system to {target!r}")
    return math.log((initial - feed) / (target - feed))


def sweep_time(initial: float, target: float, time_constant_s: float, feed: float = 0.0) -> float:
    r"""Time of a well-mixed sweep to a target.

    .. math:: t = \tau \ln \frac{x_0 - x_{in}}{x - x_{in}}

    Parameters
    ----------
    initial, target, feed : oxygen fractions at the start, at the end, and of the product gas.
    time_constant_s : time constant, s.

    Returns
    -------
    Time, s; 0 when the target is already reached.

    Raises
    ------
    ValueError
        A value outside 0..1, a feed that is not below the target, a time constant that is not
        above zero.

    Examples
    --------
    [2], Problem 7.4a: pure water (0 %) fed at 10 %, time constant 150 min, reaches 5 % in 104 min.
    Rising or falling, the equation is the same; here it is the clean fraction that falls from
    100 % of its way to 50 %.

    >>> round(sweep_time(1.0, 0.5, 150.0))
    104
    """
    positive("time_constant_s", time_constant_s)
    return time_constant_s * sweep_volumes(initial, target, feed)


def sweep_oxygen(
    initial: float, elapsed_s: float, time_constant_s: float, feed: float = 0.0
) -> float:
    r"""Oxygen of a well-mixed sweep after a time.

    .. math:: x(t) = x_{in} + (x_0 - x_{in}) e^{-t/\tau}

    Parameters
    ----------
    initial, feed : oxygen fractions at the start and of the product gas.
    elapsed_s : time since the start, s.
    time_constant_s : time constant, s.

    Returns
    -------
    Oxygen fraction.

    Raises
    ------
    ValueError
        A fraction outside 0..1, a negative time, a time constant that is not above zero.

    Examples
    --------
    [2], Problem 7.1: 80 m3 of air is at 1 % once 243.6 m3 of nitrogen went through.

    >>> round(sweep_oxygen(0.21, 243.6, 80.0), 4)
    0.01
    """
    fraction("initial", initial)
    fraction("feed", feed)
    non_negative("elapsed_s", elapsed_s)
    positive("time_constant_s", time_constant_s)
    return feed + (initial - feed) * math.exp(-elapsed_s / time_constant_s)
