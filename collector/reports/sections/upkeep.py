"""Energy, what the leak costs, service due, baselines, acceptance on record."""

from __future__ import annotations

from collections.abc import Iterator

from collector.domain.formatting import duration_text
from collector.reports.blocks import Block, Bullets, Heading, Paragraph, Table
from collector.reports.report_data import ReportData, title_of
from collector.reports.times import instant_words
from collector.reports.totals import LeakCost, leak_cost, number, total

__all__ = ["baselines", "cost_words", "energy", "service"]


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
