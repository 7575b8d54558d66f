r"""Energy that a compressor uses."""

from __future__ import annotations

from collector.physics._checks import non_negative

__all__ = ["energy_used"]


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
