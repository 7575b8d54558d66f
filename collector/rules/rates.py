"""From clean cycles to one rate: what the compressor brings, and how well that is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from collector.domain.plant import Plant
from collector.physics.estimate import Estimate
from collector.physics.gas import R, standard_molar_volume
from collector.physics.robust import mad_deviation
from collector.rules.cycles import Cycles

__all__ = ["ROUGH", "Rate", "flow_factor", "moles_per_psi", "rate_of"]

_PSI = 6894.757293168
_KELVIN = 273.15
_MOSTLY = 0.8
_ROUGH = 0.1
ROUGH = ("the risers draw in gulps, which the tank alone cannot tell from its own fall: state the "
         "volume and read the pressure of every riser")
_GULPS = 2.0
"""How much of a fall's roughness (psi) may stay in every run alike; setting, from trials."""
_FAR = 5.0
"""Deviations beyond which a run is not of the same kind: a vent opened, a riser was refilled."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """The rate of some runs (psi of the tank per s, as gas), how many, since when."""

    scatter: Estimate
    """Rate by how the runs differ among themselves."""
    shared: float
    """Deviation, as a share of the rate, that all runs have alike."""
    runs: int
    start: int
    seconds: float
    """Mean length of a run."""
    rough: bool = False
    """Whether gulps of the risers may hide more than the figure is worth."""

    @property
    def psi(self) -> Estimate:
        """The rate with all of its deviation."""
        return self.scatter.times(Estimate(value=1.0, deviation=self.shared))


def flow_factor(plant: Plant) -> float:
    """Return what mol/s are to be multiplied by for :func:`flow_unit`, at the site's standard."""
    volume = standard_molar_volume(plant.site.standard_temperature + _KELVIN)
    return volume * 3600 / (1e-3 if plant.site.units == "metric" else 0.3048**3)


def moles_per_psi(volume: float, celsius: float) -> float:
    """Return the mol that one psi is in a tank of ``volume`` m3; ideal gas, within 0.4 % here."""
    return volume * _PSI / (R * (celsius + _KELVIN))


def rate_of(rows: Sequence[Sequence[float]], cycles: Cycles, least: int = 3) -> Rate | None:
    """Return gas over time of the runs in ``rows`` (see :class:`Cycles`), or ``None`` for too few.

    The deviation is that of the runs among themselves, and what all of them share: how well the
    heat in the tank is known, and, where the risers are not booked with it, that falls may end
    with the same part of a gulp each time.
    """
    kept = _alike(rows)
    if len(kept) < least:
        return None
    gas, seconds = math.fsum(r[1] for r in kept), math.fsum(r[2] for r in kept)
    rate, n = gas / seconds, len(kept)
    if rate <= 0:
        return None
    squares = math.fsum((r[1] - rate * r[2]) ** 2 for r in kept)
    scatter = Estimate(
        value=rate, deviation=math.sqrt(squares * n / (n - 1)) / seconds, freedom=n - 1,
    )
    mean = seconds / n
    warmth = cycles.state.heat.warm_doubt(mean)
    gulps = 0.0 if cycles.whole else _GULPS * cycles.state.heat.roughness() / mean / rate
    return Rate(
        scatter=scatter, shared=math.hypot(warmth, gulps), runs=n, start=int(kept[0][0]),
        seconds=mean, rough=gulps > _ROUGH,
    )


def _alike(rows: Sequence[Sequence[float]]) -> list[Sequence[float]]:
    if len(rows) < 5:
        return list(rows)
    rates = [r[1] / r[2] for r in rows]
    middle = sorted(rates)[len(rates) // 2]
    # Half a percent at least: a few runs that agree by chance must not shut out the others.
    band = _FAR * max(mad_deviation(rates), 0.005 * abs(middle))
    kept = [row for row, r in zip(rows, rates, strict=True) if abs(r - middle) <= band]
    # One odd run is an accident; many are a change, and a mean that leaves them out would hide it.
    return kept if len(kept) >= _MOSTLY * len(rows) else list(rows)
