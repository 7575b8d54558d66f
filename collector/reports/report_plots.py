"""The plots of a report: readings with their limits and alarms, estimates with their intervals."""

from __future__ import annotations

from collections.abc import Sequence

from collector.domain.events import EstimateMade
from collector.domain.trends import TrendStep
from collector.domain.units import DAY
from collector.plots import Axis, Band, Level, Plot, Span
from collector.reports.blocks import Figure
from collector.reports.report_data import ReportData, title_of
from collector.reports.times import period_words

__all__ = ["estimate_figure", "level", "reading_figure"]


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
