"""Sections on pressure, leak, demand and delivery."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from collector.reports.blocks import Block, Heading, Paragraph, Table
from collector.reports.report_data import ReportData
from collector.reports.report_plots import estimate_figure, level, reading_figure
from collector.reports.totals import means, number, parts

__all__ = ["leak", "pressures", "supply"]


def pressures(g: ReportData) -> Iterator[Block]:
    """Draw each riser's supervisory pressure with its limits."""
    shown = [r for r in g.plant.risers.values() if g.has(f"{r.id}.pressure")]
    if not shown:
        return
    yield Heading(text="Supervisory pressure")
    for riser in shown:
        yield reading_figure(
            g, f"{riser.id}.pressure", f"{riser.name}: supervisory pressure", asset=riser.id,
            levels=(*level(g.limit("pressure-low", riser.id), "low limit"),
                    *level(g.limit("pressure-high", riser.id), "high limit")))


def _change(g: ReportData, quantity: str, assets: Sequence[str]) -> Table:
    rows = []
    for asset in assets:
        some = g.estimates(quantity, asset)
        early, late = parts(g, quantity, asset)
        unit = some[0].unit
        last = some[-1]
        interval = "" if last.low is None or last.high is None \
            else f" ({number(last.low)} to {number(last.high)})"
        rows.append((
            g.name(asset), str(len(some)), number(means(some) or 0.0, unit),
            "–" if early.mean is None else number(early.mean),
            "–" if late.mean is None else number(late.mean),
            number(last.value or 0.0) + interval))
    return Table(header=("Where", "Figures", "Mean", "First quarter", "Last quarter",
                         "Latest (interval)"),
                 rows=rows, widths=(2.2, 1, 1.4, 1.3, 1.3, 2.2), align="LRRRRR")


def _estimates_of(g: ReportData, quantity: str, title: str, none: str, *, floor: float | None = 0.0,
          ) -> Iterator[Block]:
    assets = g.assets_with(quantity)
    if not assets:
        yield Paragraph(text=f"{none}{_why(g, quantity)}")
        return
    yield _change(g, quantity, assets)
    for i in range(0, len(assets), 4):
        yield estimate_figure(g, quantity, title, assets[i:i + 4], floor=floor)


def _why(g: ReportData, quantity: str) -> str:
    reasons = list(dict.fromkeys(
        reason for thing in g.plant.things() for reason in g.reasons(quantity, thing.id)[:1]))
    return f" Reason given: {'; '.join(reasons[:3])}." if reasons else ""


def leak(g: ReportData) -> Iterator[Block]:
    """Yield the leak as a rate and as the pressure fall in 24 h."""
    yield Heading(text="Leak")
    yield Paragraph(soft=True, text=(
        "Compensated for temperature: a pipe that cools loses pressure without losing gas. The "
        "band around each line is the interval of the estimate."))
    yield from _estimates_of(g, "leak-rate", "Leak rate", "No leak rate could be computed.")
    if g.assets_with("leak-equivalent"):
        yield Heading(text="As a fall of pressure in 24 h", level=2)
        yield from _estimates_of(g, "leak-equivalent", "Leak, as a fall in 24 h", "")


def supply(g: ReportData) -> Iterator[Block]:
    """Yield the generator's demand, delivery, duty and product."""
    if not g.plant.generators:
        return
    yield Heading(text="Demand and supply")
    yield Heading(text="Nitrogen demand", level=2)
    yield from _estimates_of(g, "nitrogen-demand", "Nitrogen demand",
                     "No nitrogen demand could be computed.")
    yield Heading(text="Compressor delivery", level=2)
    yield from _estimates_of(g, "compressor-delivery", "Compressor delivery",
                     "No delivery could be computed.", floor=None)
    if g.assets_with("compressor-duty"):
        yield Heading(text="Compressor duty", level=2)
        yield from _estimates_of(g, "compressor-duty", "Compressor duty", "")
    for generator in g.plant.generators.values():
        point = f"{generator.id}.product_oxygen"
        if g.has(point):
            yield reading_figure(
                g, point, f"{generator.name}: oxygen in the product", floor=0.0,
                levels=level(g.limit("product-oxygen-high", generator.id), "limit"))
