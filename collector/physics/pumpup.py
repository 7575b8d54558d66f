r"""Tank, compressor and demand.

Free-air flows: the volume the gas would have at the pressure of the surroundings and the
temperature of the tank.

References
----------
[1] An engineer's worksheet for compressed-air receivers: 350 cfm drawn, 250 cfm delivered,
    100 to 60 psig, 5 min, 14.7 psia: 183.75 ft3.
[2] BEE (India), guide book on compressed air, pump-up test (from memory).
"""

from __future__ import annotations

from collector.physics._checks import non_negative, positive
from collector.physics.estimate import Estimate

__all__ = ["delivery", "demand", "free_air_delivered", "pump_up_time", "receiver_volume"]


def pump_up_time(
    volume_m3: float,
    p1_pa: float,
    p2_pa: float,
    ambient_pa: float,
    delivery_m3_per_s: float,
    drawn_m3_per_s: float = 0.0,
) -> float:
    r"""Time a compressor takes to bring a tank from one pressure to a higher one.

    .. math:: t = \frac{V (p_2 - p_1)}{p_a (q - q_d)}

    Isothermal and at constant delivery; a real pump delivers some percent less against the
    higher pressure, and a warm tank reads full early.

    Parameters
    ----------
    volume_m3 : tank and everything open to it, m3.
    p1_pa, p2_pa : start and end pressure, Pa; both gauge or both absolute.
    ambient_pa : atmospheric pressure, Pa absolute.
    delivery_m3_per_s : delivery of free air, m3/s.
    drawn_m3_per_s : what is drawn from the tank meanwhile, m3/s of free air.

    Returns
    -------
    Time, s.

    Raises
    ------
    ValueError
        ``p2_pa`` below ``p1_pa``, a volume, ambient pressure or delivery that is not above zero,
        or a delivery that does not exceed what is drawn: the tank never fills.

    Examples
    --------
    [1]: a surplus of 100 cfm moves 183.75 ft3 (5.203 m3) between 60 and 100 psig in 5 min.

    >>> psi, cubic_foot = 6894.757, 0.028316847
    >>> cfm = cubic_foot / 60
    >>> t = pump_up_time(
    ...     183.75 * cubic_foot, 60 * psi, 100 * psi, 14.7 * psi, 350 * cfm, 250 * cfm
    ... )
    >>> round(t / 60, 3)
    5.0
    """
    positive("volume_m3", volume_m3)
    positive("ambient_pa", ambient_pa)
    positive("delivery_m3_per_s", delivery_m3_per_s)
    non_negative("drawn_m3_per_s", drawn_m3_per_s)
    if p2_pa < p1_pa:
        raise ValueError(f"p2_pa must not be below p1_pa, given {p1_pa!r} and {p2_pa!r}")
    if drawn_m3_per_s >= delivery_m3_per_s:
        raise ValueError(
            f"the tank never fills: {drawn_m3_per_s!r} m3/s is drawn of {delivery_m3_per_s!r}"
        )
    return volume_m3 * (p2_pa - p1_pa) / (ambient_pa * (delivery_m3_per_s - drawn_m3_per_s))


def receiver_volume(
    pressure_change_pa: float, elapsed_s: float, net_m3_per_s: float, ambient_pa: float
) -> float:
    r"""Volume of a tank from a known surplus or shortfall of free air.

    .. math:: V = \frac{t\, q\, p_a}{\Delta p}

    Parameters
    ----------
    pressure_change_pa : size of the change in pressure, Pa.
    elapsed_s : time it took, s.
    net_m3_per_s : size of the net flow of free air, m3/s.
    ambient_pa : atmospheric pressure, Pa absolute.

    Returns
    -------
    Volume, m3.

    Raises
    ------
    ValueError
        A value that is not above zero.

    Examples
    --------
    [1]: 5.20 m3.

    >>> round(receiver_volume(40 * 6894.757, 300, 100 * 0.028316847 / 60, 14.7 * 6894.757), 2)
    5.2
    """
    positive("elapsed_s", elapsed_s)
    positive("net_m3_per_s", net_m3_per_s)
    positive("ambient_pa", ambient_pa)
    return (
        elapsed_s * net_m3_per_s * ambient_pa / positive("pressure_change_pa", pressure_change_pa)
    )


def free_air_delivered(
    volume_m3: float, p1_pa: float, p2_pa: float, elapsed_s: float, ambient_pa: float
) -> float:
    r"""Delivery of a compressor from one timed pump-up of an isolated tank [2].

    .. math:: q = \frac{V (p_2 - p_1)}{p_a t}

    Parameters
    ----------
    volume_m3 : tank, pipes and coolers, m3.
    p1_pa, p2_pa : start and end pressure, Pa, both gauge or both absolute.
    elapsed_s : time, s.
    ambient_pa : atmospheric pressure, Pa absolute.

    Returns
    -------
    Delivery of free air, m3/s.

    Raises
    ------
    ValueError
        A volume, time or ambient pressure that is not above zero, or ``p2_pa`` below ``p1_pa``.

    Examples
    --------
    [2]: 8.287 m3 from 0.5 to 7.03 kg/cm2 in 4.021 min at 1.026 kg/cm2: 13.12 m3/min.

    >>> kgf_per_cm2 = 98_066.5
    >>> q = free_air_delivered(8.287, 0.5 * kgf_per_cm2, 7.03 * kgf_per_cm2, 4.021 * 60,
    ...                        1.026 * kgf_per_cm2)
    >>> round(q * 60, 2)
    13.12
    """
    positive("volume_m3", volume_m3)
    positive("elapsed_s", elapsed_s)
    positive("ambient_pa", ambient_pa)
    if p2_pa < p1_pa:
        raise ValueError(f"p2_pa must not be below p1_pa, given {p1_pa!r} and {p2_pa!r}")
    return volume_m3 * (p2_pa - p1_pa) / (ambient_pa * elapsed_s)


def demand(slope_off: Estimate, volume_m3: float, ambient_pa: float) -> Estimate:
    r"""Demand on a tank while its compressor is off.

    .. math:: q_d = -\frac{V}{p_a} \left(\frac{dp}{dt}\right)_{off}

    Isothermal: a tank that cools after a run falls without any demand, so the first minutes after
    a run do not belong into the slope.

    Parameters
    ----------
    slope_off : change of tank pressure, Pa/s, with its deviation
        (:func:`collector.physics.regression.fit_line`).
    volume_m3 : tank and everything open to it, m3. An error of the volume scales demand and
        delivery alike.
    ambient_pa : atmospheric pressure, Pa absolute.

    Returns
    -------
    Free air drawn, m3/s, with its deviation.

    Raises
    ------
    ValueError
        A volume or ambient pressure that is not above zero.

    Examples
    --------
    [1] without its compressor: 100 cfm draw 40 psi out of 183.75 ft3 in 5 min.

    >>> slope = Estimate(value=-40 * 6894.757 / 300, deviation=0.0)
    >>> drawn = demand(slope, 183.75 * 0.028316847, 14.7 * 6894.757)
    >>> round(drawn.value / 0.028316847 * 60, 6)
    100.0
    """
    positive("volume_m3", volume_m3)
    return slope_off.scaled(-volume_m3 / positive("ambient_pa", ambient_pa))


def delivery(slope_on: Estimate, drawn: Estimate, volume_m3: float, ambient_pa: float) -> Estimate:
    r"""Delivery of a compressor from the rise of its tank and the demand beside it.

    .. math:: q = \frac{V}{p_a} \left(\frac{dp}{dt}\right)_{on} + q_d

    A slower rise alone cannot tell a tired compressor from more demand; together with the fall
    while it is off the two part.

    Parameters
    ----------
    slope_on : change of tank pressure while the compressor runs, Pa/s.
    drawn : demand, m3/s of free air, of the same hours.
    volume_m3 : tank and everything open to it, m3.
    ambient_pa : atmospheric pressure, Pa absolute.

    Returns
    -------
    Delivery of free air, m3/s, the deviations of both added as independent.

    Raises
    ------
    ValueError
        A volume or ambient pressure that is not above zero.

    Examples
    --------
    [1]: falling at 40 psi in 5 min against 350 cfm drawn, the compressor delivers 250 cfm.

    >>> slope = Estimate(value=-40 * 6894.757 / 300, deviation=0.0)
    >>> cfm = 0.028316847 / 60
    >>> drawn = Estimate(value=350 * cfm, deviation=3.5 * cfm)
    >>> found = delivery(slope, drawn, 183.75 * 0.028316847, 14.7 * 6894.757)
    >>> round(found.value / cfm, 6), round(found.deviation / cfm, 6)
    (250.0, 3.5)
    """
    positive("volume_m3", volume_m3)
    return slope_on.scaled(volume_m3 / positive("ambient_pa", ambient_pa)).plus(drawn)
