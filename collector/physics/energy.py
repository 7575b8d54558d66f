r"""What the compressor costs.

References
----------
[1] NAVFAC MO-209, Maintenance of steam, hot water and compressed air distribution systems,
    tables 5-3 and 5-4: 47 scfm lost the year round at $0.50 per 1000 ft3 cost $12,350.
[2] BEE (India), guide book on compressed air: leakage from load and unload times (the formula
    read in a restatement, the example from memory).
"""

from __future__ import annotations

from collector.physics._checks import fraction, non_negative, positive

__all__ = ["cost_of_gas", "energy_used", "load_share", "specific_energy"]


def energy_used(
    running_s: float, power_w: float, *, idle_s: float = 0.0, idle_w: float = 0.0
) -> float:
    r"""Energy of a compressor from its running time.

    .. math:: E = P t + P_{idle} t_{idle}

    Parameters
    ----------
    running_s, idle_s : time loaded, and time energised without load, s.
    power_w, idle_w : electrical power in each state, W.

    Returns
    -------
    Energy, J (3.6e6 J are 1 kWh).

    Raises
    ------
    ValueError
        A negative time or power.

    Examples
    --------
    The definition of the kilowatt-hour:

    >>> energy_used(3600, 1000)
    3600000.0
    """
    loaded = non_negative("running_s", running_s) * non_negative("power_w", power_w)
    return float(loaded + non_negative("idle_s", idle_s) * non_negative("idle_w", idle_w))


def specific_energy(power_w: float, delivery_m3_per_s: float) -> float:
    r"""Energy per volume of free air delivered: rises as the compressor wears.

    .. math:: e = P/q

    Parameters
    ----------
    power_w : electrical power while loaded, W.
    delivery_m3_per_s : delivery of free air, m3/s.

    Returns
    -------
    J/m3 of free air.

    Raises
    ------
    ValueError
        A negative power or a delivery that is not above zero.

    Examples
    --------
    The definition: 6 kW for 1 m3/min is 0.1 kWh per m3.

    >>> round(specific_energy(6000, 1 / 60) / 3.6e6, 12)
    0.1
    """
    return non_negative("power_w", power_w) / positive("delivery_m3_per_s", delivery_m3_per_s)


def cost_of_gas(flow_m3_per_s: float, duration_s: float, price_per_m3: float) -> float:
    r"""Cost of gas lost.

    .. math:: c = q t k

    Parameters
    ----------
    flow_m3_per_s : flow at standard conditions, m3/s.
    duration_s : duration, s.
    price_per_m3 : price of a standard cubic metre, any currency.

    Returns
    -------
    Cost in that currency.

    Raises
    ------
    ValueError
        A negative flow, duration or price.

    Examples
    --------
    [1]: 47 scfm for a year at $0.50 per 1000 ft3: $12,350 (12 352 before it was rounded).

    >>> cubic_foot = 0.028316846592
    >>> round(cost_of_gas(47 * cubic_foot / 60, 525_600 * 60, 0.50 / (1000 * cubic_foot)), -1)
    12350.0
    """
    volume = non_negative("flow_m3_per_s", flow_m3_per_s) * non_negative("duration_s", duration_s)
    return volume * non_negative("price_per_m3", price_per_m3)


def load_share(loaded_s: float, unloaded_s: float) -> float:
    r"""Share of the time under load; with nobody drawing, the share of the delivery that leaks.

    .. math:: d = \frac{T}{T + t}

    Parameters
    ----------
    loaded_s, unloaded_s : time loaded and unloaded, s.

    Returns
    -------
    Share, 0 to 1.

    Raises
    ------
    ValueError
        A negative time, or both zero.

    Examples
    --------
    [2]: 1.5 min loaded, 10.5 min unloaded: 12.5 % of 35 m3/min, 4.375 m3/min leak.

    >>> load_share(1.5, 10.5), 35 * load_share(1.5, 10.5)
    (0.125, 4.375)
    """
    loaded = non_negative("loaded_s", loaded_s)
    total = positive("loaded_s + unloaded_s", loaded + non_negative("unloaded_s", unloaded_s))
    return fraction("share", loaded / total)
