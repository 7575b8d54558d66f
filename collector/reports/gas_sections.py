"""Sections of a report: pressures, leaks, oxygen in the pipes, nitrogen supply; their plots."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from collector.domain.basis import printed_basis
from collector.domain.events import EstimateMade
from collector.domain.readings import TrendStep
from collector.domain.units import DAY, MINUTE, PSI, duration_text, scale_of, value_text
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.tightness import IN_SERVICE, allowed_psi_per_day
from collector.plots import Axis, Band, Level, Plot, Span
from collector.reports.report_data import (
    Block,
    Figure,
    Heading,
    Paragraph,
    ReportData,
    Table,
    title_of,
)
from collector.reports.times import instant_words, period_words
from collector.reports.upkeep_sections import means, number, parts, total


def level(value: float | None, label: str) -> tuple[Level, ...]:
    """Return a limit's line, or nothing where none is stated."""
    return () if value is None else (Level(value=value, label=label),)


def reading_figure(
    g: ReportData, point: str, title: str, *, levels: Sequence[Level] = (), asset: str = "",
    floor: float | None = None,
) -> Figure:
    """Draw one point over the period with the alarms of ``asset`` on it."""
    spans = [Span(start=o.raised, end=o.ended, word=title_of(o.condition))
             for o in g.of_asset(asset)]
    steps = g.trend(point)
    axis = g.axis(point)
    return Figure(figure=Plot(
        title=title, description=_description(g, steps, axis, len(spans)), start=g.start, end=g.end,
        zone=g.plant.site.timezone, axis=axis, series=(Band(label=title, steps=steps),),
        levels=levels, spans=spans, floor=floor, height=200, key=f"p-{point.replace('.', '-')}",
    ))


def _description(g: ReportData, steps: Sequence[TrendStep], axis: Axis, alarms: int) -> str:
    """Return a plot in words: period, least, greatest, mean."""
    full = [s for s in steps if s.low is not None and s.high is not None]
    period = period_words(g.start, g.end, g.zone)
    if not full:
        return f"No readings, {period}."
    low = min(s.low for s in full if s.low is not None)
    high = max(s.high for s in full if s.high is not None)
    count = sum(s.count for s in full)
    mean = sum(s.mean * s.count for s in full if s.mean is not None) / count
    marked = f" {alarms} alarms are marked." if alarms else ""
    return (f"{period}: from {axis.words(low)} to {axis.words(high)}, on average "
            f"{axis.words(mean)}.{marked}")


def _step(made: EstimateMade) -> TrendStep:
    start, end = made.window or (made.time - DAY, made.time)
    low = made.value if made.low is None else made.low
    high = made.value if made.high is None else made.high
    return TrendStep(start=start, end=end, count=1, low=low, mean=made.value, high=high)


def estimate_figure(
    g: ReportData, quantity: str, title: str, assets: Sequence[str], *,
    levels: Sequence[Level] = (), floor: float | None = 0.0,
) -> Figure:
    """Draw a quantity of up to four assets, each with its interval."""
    found = {a: g.estimates(quantity, a) for a in assets[:4]}
    unit = next((e.unit for es in found.values() for e in es), "")
    axis = Axis(unit=unit, digits=2)
    series = [Band(label=g.name(a), steps=[_step(e) for e in es]) for a, es in found.items()]
    steps = [s for band in series for s in band.steps]
    return Figure(figure=Plot(
        title=title, description=_description(g, steps, axis, 0), start=g.start, end=g.end,
        zone=g.plant.site.timezone, axis=axis, series=series, levels=levels, floor=floor,
        height=200, key=f"e-{quantity}-{assets[0]}",
    ))


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
        for asset in g.assets_with("leak-equivalent"):
            yield Paragraph(text=_against_limit(g, asset))
        yield from _estimates_of(g, "leak-equivalent", "Leak, as a fall in 24 h", "")


def _against_limit(g: ReportData, asset: str) -> str:
    """Return the latest leak of an asset as a fall in 24 h, beside its limit."""
    unit = scale_of("psi", g.plant.site.units)
    last = g.estimates("leak-equivalent", asset)[-1]
    found = f"{g.name(asset)}: last {value_text(last.value or 0.0, unit, 2)} in 24 h"
    given = g.settings.for_("leak-high", asset).get("limit")
    riser = g.plant.risers.get(asset)
    if given is not None and not isinstance(given, str | bool):
        return f"{found}; limit {value_text(given * DAY / MINUTE, unit, 2)} in 24 h (site file)."
    if riser is None or riser.supervisory_pressure is None:
        return f"{found}; no limit: the supervisory pressure is not set."
    ambient = pressure_at_altitude(g.plant.site.altitude)
    allowed = allowed_psi_per_day(IN_SERVICE, riser.supervisory_pressure * PSI, ambient)
    basis = printed_basis(IN_SERVICE.source, g.plant.site.code)
    return (f"{found}; limit {value_text(allowed, unit, 2)} in 24 h at "
            f"{value_text(riser.supervisory_pressure, unit)} ({basis}).")


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


def oxygen(g: ReportData) -> Iterator[Block]:
    """Yield the oxygen at the vents, the exposure, and the rooms."""
    vents = [v for v in g.plant.vents.values() if g.has(f"{v.id}.oxygen")]
    rooms = [r for r in g.plant.rooms.values() if g.has(f"{r.id}.oxygen")]
    if not vents and not rooms and not g.assets_with("oxygen-exposure"):
        return
    yield Heading(text="Oxygen")
    for vent in vents:
        name = g.name(vent.riser)
        yield reading_figure(g, f"{vent.id}.oxygen", f"{name}: oxygen at {vent.name}",
                             asset=vent.id, floor=0.0, levels=level(
                                 g.limit("oxygen-not-falling", vent.id), "target"))
    yield from _exposure(g)
    for room in rooms:
        yield reading_figure(g, f"{room.id}.oxygen", f"{room.name}: oxygen where people work",
                             asset=room.id,
                             levels=level(g.limit("room-oxygen-low", room.id), "limit"))


def _exposure(g: ReportData) -> Iterator[Block]:
    assets = g.assets_with("oxygen-exposure")
    rows = []
    for asset in assets:
        found = total(g, "oxygen-exposure", asset)
        if found is not None:
            done = g.estimates("purge-completion", asset)
            rows.append((g.name(asset), number(found.value, found.unit),
                         duration_text(found.covered),
                         number(done[-1].value or 0.0, done[-1].unit) if done else "–",
                         instant_words(done[-1].time, g.zone) if done else "–"))
    if not rows:
        return
    yield Heading(text="Oxygen exposure", level=2)
    yield Paragraph(soft=True, text=(
        "How far oxygen was above its target, times how long: what rusts a wet pipe. A pipe that "
        "stands 3 % above its target has 3 percent-days of it a day."))
    yield Table(header=("Where", "Exposure", "Over", "Purge completion", "As of"), rows=rows,
                widths=(2.4, 1.6, 1.4, 1.6, 2), align="LRRRR")
