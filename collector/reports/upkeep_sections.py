"""Sections of a report: energy, service and baselines, with the totals and costs of a period."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import fmean

from collector.domain.events import EstimateMade
from collector.domain.plant import Generator
from collector.domain.units import DAY, duration_text
from collector.reports.report_data import (
    Block,
    Bullets,
    Heading,
    Paragraph,
    ReportData,
    Table,
    title_of,
)
from collector.reports.times import instant_words

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


def energy(g: ReportData) -> Iterator[Block]:
    """Yield the energy used and the cost of the leak."""
    if not g.plant.generators:
        return
    yield Heading(text="Energy and what the leak costs")
    rows = []
    for generator in g.plant.generators.values():
        used, cost = total(g, "energy", generator.id), total(g, "energy-cost", generator.id)
        rows.append((
            generator.name, "–" if used is None else number(used.value, used.unit),
            "–" if cost is None else number(cost.value, cost.unit),
            "–" if used is None else duration_text(used.covered),
            cost_words(leak_cost(g, generator))))
    yield Table(header=("Generator", "Energy", "Cost", "Over", "Of it, the leak"), rows=rows,
                widths=(1.8, 1.2, 1.2, 1.1, 4), align="LRRRL")
    yield Paragraph(soft=True, text=(
        "The leak's part is its share of the gas made: mean leak rate over mean nitrogen demand, "
        "times the energy. A year is the period's figure drawn out to 365.25 days."))


def cost_words(cost: LeakCost | str) -> str:
    """Return the cost of a leak in words, or the reason it is not known."""
    if isinstance(cost, str):
        return f"not known: {cost}"
    money = "" if cost.cost is None or cost.yearly_cost is None else (
        f", {number(cost.cost, cost.currency)}; in a year "
        f"{number(cost.yearly_cost, cost.currency)}")
    return (f"{cost.share * 100:.0f} %: {number(cost.energy, 'kWh')}{money}"
            + ("" if money else f"; in a year {number(cost.yearly_energy, 'kWh')}"))


def service(g: ReportData) -> Iterator[Block]:
    """Yield the service that is due and the date of the last one."""
    if not g.plant.generators:
        return
    yield Heading(text="Service")
    due = {o.asset for o in g.active if o.condition == "service-due"}
    rows = []
    for generator in g.plant.generators.values():
        left = g.estimates("hours-to-service", generator.id)
        last = "not stated" if generator.last_service is None else \
            f"{generator.last_service.day} {generator.last_service:%B %Y}"
        plan = [f"every {generator.service_every:.0f} h"] if generator.service_every else []
        plan += [f"every {generator.service_months} months"] if generator.service_months else []
        rows.append((
            generator.name, " or ".join(plan) or "no plan stated", last,
            number(left[-1].value or 0.0, "h") if left else "–",
            "due" if generator.id in due else "not due" if plan else "not known"))
    yield Table(header=("Generator", "Plan", "Last service", "Hours left", ""), rows=rows,
                widths=(2, 2.2, 1.8, 1.4, 1.4), align="LLLRL")


def baselines(g: ReportData) -> Iterator[Block]:
    """List the baselines and the acceptances on record."""
    yield Heading(text="Baselines and acceptance")
    if g.baselines:
        yield Table(
            header=("What", "Where", "Baseline", "From"), widths=(2, 2, 1.6, 4), align="LLRL",
            rows=[(title_of(b.quantity), g.name(b.asset),
                   "being learned" if b.value is None else number(b.value, b.unit),
                   "the site file or an acceptance" if b.given
                   else f"{b.days} of {b.needed} days; {b.conditions}")
                  for b in g.baselines])
    else:
        yield Paragraph(text="No baseline is kept.")
    if g.acceptances:
        yield Bullets(items=[f"{instant_words(f.time, g.zone)}: {f.text}"
                             for f in g.acceptances[:5]])
    else:
        yield Paragraph(text="No signed acceptance is on record in this journal.")
