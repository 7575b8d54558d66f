r"""Time that a compressor takes to fill its tank.

Free-air flows: the volume the gas would have at the pressure of the surroundings and the
temperature of the tank.

References
----------
[1] An engineer's worksheet for compressed-air receivers: 350 cfm drawn, 250 cfm delivered,
    100 to 60 psig, 5 min, 14.7 psia: 183.75 ft3.
"""

from __future__ import annotations

from collector.physics._checks import non_negative, positive

__all__ = ["pump_up_time"]


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
