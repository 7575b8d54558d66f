"""Delivery rate from the runs of a compressor, with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from collector.domain.plant import Plant
from collector.domain.units import PSI, ZERO_CELSIUS
from collector.physics.estimate import Estimate
from collector.physics.gas import R, standard_molar_volume
from collector.rules.gasbalance import GasBalance

_ROUGH = 0.1
ROUGH = ("the risers draw in gulps, which the tank alone cannot tell from its own fall: state the "
         "volume and read the pressure of every riser")
COARSE = ("the gauges of the risers are too coarse for so small a tank: one step of theirs is much "
          "of what a run brings")
_GULPS, _STEPS = 2.0, 1.0
"""How much of a rest's roughness (psi) may stay in every run alike: the gulp that brings the tank
to cut-in is the one that starts the compressor; where the risers are included, the steps of their
gauges at that moment (settings, from trials)."""
_SETTLES = 1.0
"""Deviation of what a regulator passes beyond the mean of before and after, until it has settled to
the tank's higher pressure, as a share of what is drawn in a run by its lift (setting, from trials).
It dies away like heat, for which some of it is taken."""
_HUBER = 2.0
_TURNS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """The rate of some runs (psi of the tank per s, as gas), how many, since when."""

    scatter: Estimate
    """Rate with the scatter of the runs as its uncertainty."""
    shared: float
    """Deviation, as a share of the rate, that all runs have alike: the heat in the tank, the
    flow of its vents; where the risers are not included, that rests may end with the same
    part of a gulp each time."""
    settles: float
    """The same, of what regulators pass more while the tank's pressure rises, where the risers are
    not booked with it. Days of like demand have it alike: a comparison of two leaves it out."""
    runs: int
    start: int
    single: float
    """Deviation (psi) of the gas of one run."""
    rough: bool = False
    """Whether intermittent draws of the risers make the rate unusable."""

    @property
    def psi(self) -> Estimate:
        """The rate with its whole uncertainty."""
        return self.scatter.times(Estimate(value=1.0, deviation=self.shared))

    @property
    def absolute(self) -> Estimate:
        """The rate as an absolute value, with the doubt that a comparison leaves out."""
        return self.psi.times(Estimate(value=1.0, deviation=self.settles))


def flow_factor(plant: Plant) -> float:
    """Return what mol/s are to be multiplied by for :func:`flow_unit`, at the site's standard."""
    volume = standard_molar_volume(plant.site.standard_temperature + ZERO_CELSIUS)
    return volume * 3600 / (1e-3 if plant.site.units == "metric" else 0.3048**3)


def moles_per_psi(volume: float, celsius: float) -> float:
    """Return the mol that one psi is in a tank of ``volume`` m3; ideal gas, within 0.4 % here."""
    return volume * PSI / (R * (celsius + ZERO_CELSIUS))


def rate_of(rows: Sequence[Sequence[float]], balance: GasBalance, least: int = 3) -> Rate | None:
    """Return gas over time of the runs in ``rows`` (see :class:`GasBalance`).

    ``None`` for fewer than ``least``. Each run counts by how well its gas is known, and less the
    further it is from the others (Huber): a vent that opened, a riser that was refilled.
    """
    if len(rows) < least:
        return None
    account = balance.account
    known = np.array(rows)
    seconds, variance, reach = known[:, 2], known[:, 4], known[:, 7:]
    gas = known[:, 5] - reach @ np.array(account.values)
    base = 1.0 / (variance + np.median(variance))
    weights, n = base, len(rows)
    rate = single = 0.0
    for _ in range(_TURNS):
        rate = float((weights * gas).sum() / (weights * seconds).sum())
        off = np.abs(gas - rate * seconds)
        # Half a percent at least: runs that agree by chance must not shut out the others.
        # Nor lengths that polls round alike: a start and a stop are off by up to half a poll each.
        single = max(1.4826 * float(np.median(off)), abs(rate) * max(
            0.005 * float(seconds.mean()), 0.5 * balance.state.gap / 1000))
        weights = base * np.minimum(1.0, _HUBER * single / np.maximum(off, 1e-12))
    if rate <= 0:
        return None
    ran = float((weights * seconds).sum())
    among = float(((weights * (gas - rate * seconds)) ** 2).sum()) * n / (n - 1)
    lever = weights @ reach / ran
    settles, gas_of_one = 0.0, rate * float(np.median(seconds))
    if balance.state.by_tank and balance.state.last is not None:
        drawn = float(np.median(known[:, 3] * seconds))
        settles = _SETTLES * max(drawn, 0.0) / (balance.state.last + balance.vessel.ambient)
    rough = math.sqrt(account.noise)
    gulps = (_STEPS if balance.whole else _GULPS) * rough / gas_of_one
    common = math.sqrt(max(float(lever @ np.array(account.covariance) @ lever), 0.0))
    return Rate(
        scatter=Estimate(value=rate, deviation=math.sqrt(among) / ran, freedom=n - 1),
        shared=math.hypot(common / rate, gulps), settles=settles, runs=n,
        start=int(rows[0][0]), single=single, rough=gulps > _ROUGH,
    )
