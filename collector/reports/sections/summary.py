"""The first page: next steps, and a summary of the period."""

from __future__ import annotations

from collections.abc import Iterator

from collector.domain.conditions import CATALOGUE, CAUTIONS
from collector.domain.formatting import duration_text
from collector.domain.units import DAY
from collector.reports.blocks import Block, Box, Bullets, Heading, Paragraph
from collector.reports.report_data import ReportData, title_of
from collector.reports.sections.coverage import seen
from collector.reports.sections.gauges import low_air_tests
from collector.reports.sections.upkeep import cost_words
from collector.reports.times import instant_words
from collector.reports.totals import LeakCost, leak_cost, number, parts, total

__all__ = ["cautions", "next_steps", "summary"]

_OFTEN = 10
"""Occurrences of one alarm in a period from which its cause is worth finding (setting)."""
_GROWN = 1.25
"""Last quarter over first quarter from which on a leak is called grown (setting)."""
_QUARTER = 85 * DAY
_SEEN = 0.95
"""Share of valid data below which the wiring is worth checking (setting)."""


def summary(g: ReportData) -> Iterator[Block]:
    """Write the first page."""
    yield Heading(text="What to do next")
    steps = list(next_steps(g))
    if steps:
        yield Bullets(items=steps, numbered=True)
    else:
        yield Paragraph(text="Nothing beyond the regular inspections.")
    yield Heading(text="The period in brief")
    yield Bullets(items=list(_brief(g)))


def next_steps(g: ReportData) -> Iterator[str]:
    """Yield what to do next, the most urgent first, each with its reason."""
    for one in g.active:
        known = CATALOGUE.get(one.condition)
        check = f" Check first: {known.causes[0]}." if known is not None and known.causes else ""
        yield (f"{title_of(one.condition)} at {g.name(one.asset)} still active, since "
               f"{instant_words(one.raised, g.zone)} ({one.priority.value}).{check}")
    yield from _repeated(g)
    yield from _grown(g)
    yield from _unseen(g)
    untested = [name for name, at in low_air_tests(g) if at is None]
    if untested and g.end - g.start >= _QUARTER:
        yield (f"Test the low-air switch of {', '.join(untested)}: it did not operate in this "
               "period, and each quarter is the interval (NFPA 25).")
    if g.not_monitored:
        count = len(g.not_monitored)
        yield (f"{count} condition{'s' if count > 1 else ''} not monitored; the list says "
               "what is missing for each.")


def _repeated(g: ReportData) -> Iterator[str]:
    active = {(o.condition, o.asset) for o in g.active}
    for frequent in g.measures.frequent:
        if frequent.count >= _OFTEN and (frequent.condition, frequent.asset) not in active:
            yield (f"{title_of(frequent.condition)} at {g.name(frequent.asset)} came "
                   f"{frequent.count} times: find its cause, or check its settings.")


def _grown(g: ReportData) -> Iterator[str]:
    for asset in g.assets_with("leak-rate"):
        early, late = parts(g, "leak-rate", asset)
        if early.mean and late.mean and min(early.count, late.count) >= 3 \
                and late.mean > _GROWN * early.mean:
            unit = g.estimates("leak-rate", asset)[0].unit
            yield (f"Look for the leak of {g.name(asset)}: it grew from {number(early.mean)} to "
                   f"{number(late.mean, unit)} between the first and the last quarter.")


def _unseen(g: ReportData) -> Iterator[str]:
    poor = [s for s in seen(g) if s.share < _SEEN]
    if poor:
        worst = min(poor, key=lambda s: s.share)
        points = "1 point was" if len(poor) == 1 else f"{len(poor)} points were"
        yield (f"Look at the wiring and the devices: {points} seen less than "
               f"{_SEEN * 100:.0f} % of the time (worst: {worst.point}, "
               f"{worst.share * 100:.1f} %).")


def _brief(g: ReportData) -> Iterator[str]:
    m = g.measures
    raised = "No alarm was" if not m.raised else "1 alarm was" if m.raised == 1 else \
        f"{m.raised} alarms were"
    active = f"{len(m.active) or 'none'} active"
    yield f"{raised} raised in {duration_text(g.end - g.start)}; {active} at the end."
    for riser in g.plant.risers.values():
        point = f"{riser.id}.pressure"
        if g.has(point):
            lows = [s.low for s in g.trend(point) if s.low is not None]
            highs = [s.high for s in g.trend(point) if s.high is not None]
            axis = g.axis(point)
            yield f"{riser.name} was between {axis.words(min(lows))} and {axis.words(max(highs))}."
    for vent in g.plant.vents.values():
        lasts = [s.mean for s in g.trend(f"{vent.id}.oxygen") if s.mean is not None]
        if lasts:
            target = "" if vent.target_oxygen is None else f" (target {vent.target_oxygen:g} %)"
            yield f"Oxygen at {vent.name} was last {lasts[-1]:.1f} %{target}."
    for generator in g.plant.generators.values():
        used = total(g, "energy", generator.id)
        if used is not None:
            yield (f"{generator.name} used {number(used.value, used.unit)} in "
                   f"{duration_text(used.covered)}.")
        cost = leak_cost(g, generator)
        if isinstance(cost, LeakCost):
            yield f"The leak behind {generator.name} took {cost_words(cost)}."
    shares = [s.share for s in seen(g)]
    if shares:
        yield f"Valid data: {sum(shares) / len(shares) * 100:.1f} %."
    else:
        yield "No readings are in the journal."


def cautions() -> Box:
    """Return the cautions, which every report has."""
    return Box(title="Cautions", lines=list(CAUTIONS.values()))
