r"""Sweeps that are not one steady well-mixed volume: changing inventory, volumes in series.

References
----------
[1] A chapter of solved balances on stirred tanks, Problems 7.1, 7.2 and 7.4 (the book is
    probably Tosun, Modelling in Transport Phenomena; the title is from memory).
"""

from __future__ import annotations

import math

from collector.physics._checks import fraction, non_negative, positive

__all__ = ["second_volume_oxygen", "sweep_oxygen_changing"]


def sweep_oxygen_changing(
    initial: float,
    elapsed_s: float,
    *,
    amount_mol: float,
    inflow_mol_per_s: float,
    outflow_mol_per_s: float,
    feed: float = 0.0,
) -> float:
    r"""Oxygen of a well-mixed sweep while the amount held changes.

    .. math::
        \frac{x - x_{in}}{x_0 - x_{in}} =
        \left(\frac{n_0}{n_0 + (\dot n_i - \dot n_o) t}\right)^{\dot n_i/(\dot n_i - \dot n_o)}

    Parameters
    ----------
    initial, feed : oxygen fractions at the start and of the product gas.
    elapsed_s : time since the start, s.
    amount_mol : gas held at the start, mol.
    inflow_mol_per_s, outflow_mol_per_s : gas fed and gas leaving, mol/s.
    feed : oxygen fraction of the gas fed.

    Returns
    -------
    Oxygen fraction. With equal flows it is :func:`sweep_oxygen`.

    Raises
    ------
    ValueError
        A fraction outside 0..1, a negative time or flow, nothing held, or a time after which the
        system would be empty.

    Examples
    --------
    [1], Problem 7.4b: 300 kg, 2 kg/min in, 2.5 kg/min out: half way after 95.5 min.

    >>> way = sweep_oxygen_changing(1.0, 95.5, amount_mol=300, inflow_mol_per_s=2,
    ...                             outflow_mol_per_s=2.5)
    >>> round(way, 3)
    0.5
    """
    fraction("initial", initial)
    fraction("feed", feed)
    non_negative("elapsed_s", elapsed_s)
    positive("amount_mol", amount_mol)
    non_negative("inflow_mol_per_s", inflow_mol_per_s)
    non_negative("outflow_mol_per_s", outflow_mol_per_s)
    growth = (inflow_mol_per_s - outflow_mol_per_s) * elapsed_s / amount_mol
    if growth <= -1.0:
        raise ValueError(f"after elapsed_s = {elapsed_s!r} nothing is left in the system")
    turnover = inflow_mol_per_s * elapsed_s / amount_mol
    # log1p(g)/g tends to 1 as the flows become equal: the exponential of the plain sweep.
    shape = math.log1p(growth) / growth if growth else 1.0
    return feed + (initial - feed) * math.exp(-turnover * shape)


def second_volume_oxygen(
    initial: float,
    elapsed_s: float,
    first_time_constant_s: float,
    second_time_constant_s: float,
    feed: float = 0.0,
) -> float:
    r"""Oxygen of the second of two well-mixed volumes in series, both starting alike.

    .. math::
        \frac{x_2 - x_{in}}{x_0 - x_{in}} =
        \frac{\tau_1 e^{-t/\tau_1} - \tau_2 e^{-t/\tau_2}}{\tau_1 - \tau_2}

    The far end of a pipe lags its riser end in this way: it starts flat, then falls.

    Parameters
    ----------
    initial, feed : oxygen fractions at the start and of the product gas.
    elapsed_s : time since the start, s.
    first_time_constant_s, second_time_constant_s : time constants of the two volumes, s.

    Returns
    -------
    Oxygen fraction in the second volume.

    Raises
    ------
    ValueError
        A fraction outside 0..1, a negative time, a time constant that is not above zero.

    Examples
    --------
    [1], Problem 7.2: 1500 L and 750 L, both at 0.5 kg/L, swept at 75 L/min; after 10 min the
    second is at 0.423 kg/L.

    >>> round(second_volume_oxygen(0.5, 10.0, 1500 / 75, 750 / 75), 3)
    0.423
    """
    fraction("initial", initial)
    fraction("feed", feed)
    t = non_negative("elapsed_s", elapsed_s)
    one = positive("first_time_constant_s", first_time_constant_s)
    two = positive("second_time_constant_s", second_time_constant_s)
    if abs(one - two) < 1e-9 * one:
        left = (1.0 + t / one) * math.exp(-t / one)
    else:
        left = (one * math.exp(-t / one) - two * math.exp(-t / two)) / (one - two)
    return feed + (initial - feed) * left
