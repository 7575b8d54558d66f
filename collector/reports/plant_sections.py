"""Sections of a report: pressures, leaks, oxygen, nitrogen supply, energy, service, baselines."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import fmean

from collector.domain.basis import printed_basis
from collector.domain.events import EstimateMade
from collector.domain.plant import Generator
from collector.domain.readings import TrendStep
from collector.domain.units import DAY, MINUTE, PSI, duration_text, scale_of, value_text
from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.tightness import IN_SERVICE, allowed_psi_per_day
from collector.plots import Axis, Band, Level, Plot, Span
from collector.reports.report_data import (
    Block,
    Bullets,
    Figure,
    Heading,
    Paragraph,
    ReportData,
    Table,
    title_of,
)
from collector.reports.times import instant_words, period_words

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
