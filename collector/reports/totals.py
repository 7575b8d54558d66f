"""Sums and means over a period that several sections use."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean

from collector.domain.events import EstimateMade
from collector.domain.plant import Generator
from collector.domain.units import DAY
from collector.reports.report_data import ReportData

__all__ = ["LeakCost", "Part", "Total", "leak_cost", "means", "number", "parts", "total"]

_YEAR = 365.25 * DAY


def number(value: float, unit: str = "") -> str:
    """Return a number with three significant figures, whole from 1000 on.

    >>> number(2.3149, "scfh"), number(0.0421), number(1234.5, "kWh")
    ('2.31 scfh', '0.0421', '1234 kWh')
    """
    text = f"{value:.0f}" if abs(value) >= 1000 else f"{value:#.3g}".rstrip(".")
    return f"{text.replace('-', '−')} {unit}".rstrip()


@dataclass(frozen=True, slots=True, kw_only=True)
class Total:
    """A sum of estimates; ``covered`` is the time (ms) of the windows that gave it."""

    value: float
    unit: str
    covered: int


def total(g: ReportData, quantity: str, asset: str) -> Total | None:
    """Return the sum of a daily quantity; ``None`` where no day has one."""
    some = g.windows(quantity, asset)
    if not some:
        return None
    return Total(
        value=sum(e.value for e in some if e.value is not None), unit=some[0].unit,
        covered=sum(e.window[1] - e.window[0] for e in some if e.window is not None))


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """The mean of one part of the period, and how many estimates it has."""

    mean: float | None
    count: int


def means(some: Sequence[EstimateMade]) -> float | None:
    """Return the plain mean of estimates, ``None`` of none."""
    values = [e.value for e in some if e.value is not None]
    return fmean(values) if values else None


def parts(g: ReportData, quantity: str, asset: str) -> tuple[Part, Part]:
    """Return the means of the first and the last quarter of the period."""
    some = g.estimates(quantity, asset)
    quarter = (g.end - g.start) // 4
    early = [e for e in some if e.time <= g.start + quarter]
    late = [e for e in some if e.time > g.end - quarter]
    return Part(mean=means(early), count=len(early)), Part(mean=means(late), count=len(late))


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakCost:
    """The cost of a leak: its share of the gas produced, and that share of the energy."""

    share: float
    energy: float
    """kWh of the period."""
    cost: float | None
    currency: str
    yearly_energy: float
    yearly_cost: float | None


def leak_cost(g: ReportData, generator: Generator) -> LeakCost | str:
    """Return the cost of the leak behind a generator, or why it is not known.

    It is the energy times leak over demand, both means over the period.
    """
    demand = means(g.estimates("nitrogen-demand", generator.id))
    own = means(g.estimates("leak-rate", generator.id))
    fed = [means(g.estimates("leak-rate", r.id)) for r in g.plant.risers.values()
           if r.fed_by == generator.id]
    of_risers = [x for x in fed if x is not None]
    leak = own if own is not None else sum(of_risers) if of_risers else None
    energy = total(g, "energy", generator.id)
    if leak is None:
        return "no leak rate in this period"
    if demand is None or demand <= 0:
        return "no nitrogen demand to compare the leak with"
    if energy is None or energy.covered <= 0:
        return "no energy: the site file needs compressor_power, and the run contact readings"
    share = min(max(leak / demand, 0.0), 1.0)
    cost = total(g, "energy-cost", generator.id)
    scale = _YEAR / energy.covered
    return LeakCost(
        share=share, energy=share * energy.value, yearly_energy=share * energy.value * scale,
        cost=None if cost is None else share * cost.value,
        currency="" if cost is None else cost.unit,
        yearly_cost=None if cost is None else share * cost.value * _YEAR / max(cost.covered, 1))
