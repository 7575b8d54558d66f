"""A period's review put together: what to do next first, the cautions always."""

from __future__ import annotations

from collector import __version__
from collector.reports.blocks import Block, Report
from collector.reports.gathered import Gathered
from collector.reports.sections import alarms, coverage, gas, gauges, oxygen, summary, upkeep
from collector.reports.times import period_words

__all__ = ["make"]


def make(g: Gathered) -> Report:
    """Write the report of what was gathered."""
    blocks: list[Block] = [
        *summary.summary(g), *alarms.standing(g), summary.cautions(), *gas.pressures(g),
        *gas.leak(g), *oxygen.oxygen(g), *gas.supply(g), *upkeep.energy(g), *upkeep.service(g),
        *gauges.gauges(g), *alarms.events(g), *alarms.alarm_measures(g), *upkeep.baselines(g),
        *coverage.coverage(g), *coverage.not_watched(g),
    ]
    return Report(
        title="Review", site=g.plant.site.name, period=period_words(g.start, g.end, g.zone),
        zone=g.plant.site.timezone, start=g.start, end=g.end, made=g.made, version=__version__,
        blocks=blocks)
