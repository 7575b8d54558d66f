"""Builds a report from a site file and its journal."""

from __future__ import annotations

import json
import logging

from collector import __version__
from collector.app.monitor import SiteMonitor
from collector.config import SiteConfig
from collector.domain.baselines import Baseline
from collector.reports.blocks import Block, Report
from collector.reports.report_data import History, ReportData
from collector.reports.sections import alarms, coverage, gas, gauges, pipe_oxygen, summary, upkeep
from collector.reports.times import period_words

__all__ = ["make", "report_of"]

_log = logging.getLogger(__name__)

def make(g: ReportData) -> Report:
    """Return the report of the collected data."""
    blocks: list[Block] = [
        *summary.summary(g), *alarms.active_alarms(g), summary.cautions(), *gas.pressures(g),
        *gas.leak(g), *pipe_oxygen.oxygen(g), *gas.supply(g), *upkeep.energy(g), *upkeep.service(g),
        *gauges.gauges(g), *alarms.events(g), *alarms.alarm_measures(g), *upkeep.baselines(g),
        *coverage.coverage(g), *coverage.not_monitored(g),
    ]
    return Report(
        title="Review", site=g.plant.site.name, period=period_words(g.start, g.end, g.zone),
        zone=g.plant.site.timezone, start=g.start, end=g.end, made=g.made, version=__version__,
        blocks=blocks)


def report_of(config: SiteConfig, store: History, *, start: int, end: int, made: int) -> Report:
    """Return the report of ``start`` to ``end`` (ms), as of ``made``."""
    monitor = SiteMonitor(plant=config.plant, settings=config.settings, step=config.step)
    not_monitored = monitor.not_monitored()
    return make(ReportData(
        plant=config.plant, settings=config.settings, history=store, start=start, end=end,
        made=made, not_monitored=not_monitored, baselines=_baselines(monitor, store)))


def _baselines(monitor: SiteMonitor, store: History) -> list[Baseline]:
    """Return the baselines as the monitor last saved them; none where it never did."""
    saved = store.meta("watch")
    if saved is None:
        return []
    try:
        monitor.load(json.loads(saved), [])
    except (ValueError, TypeError, KeyError, IndexError, AttributeError) as error:
        _log.error("the rules' saved state is damaged: %r", error)
        return []
    return monitor.baselines()
