"""Reports on a period for owner, insurer and service firm, as HTML and PDF."""

from __future__ import annotations

import json
import logging

from collector import __version__
from collector.app.monitor import SiteMonitor
from collector.config import SiteConfig
from collector.domain.actions import Baseline
from collector.reports.alarm_sections import (
    active_alarms,
    alarm_measures,
    cautions,
    events,
    summary,
)
from collector.reports.gauge_sections import coverage, gauges, not_monitored
from collector.reports.plant_sections import (
    baselines,
    energy,
    leak,
    oxygen,
    pressures,
    service,
    supply,
)
from collector.reports.report_data import Block, History, Report, ReportData
from collector.reports.times import period_words

__all__ = ["History", "Report", "ReportData", "make", "report_of"]


_log = logging.getLogger(__name__)


def make(g: ReportData) -> Report:
    """Return the report of the collected data."""
    blocks: list[Block] = [
        *summary(g), *active_alarms(g), cautions(), *pressures(g), *leak(g), *oxygen(g),
        *supply(g), *energy(g), *service(g), *gauges(g), *events(g), *alarm_measures(g),
        *baselines(g), *coverage(g), *not_monitored(g),
    ]
    return Report(
        title="Review", site=g.plant.site.name, period=period_words(g.start, g.end, g.zone),
        zone=g.plant.site.timezone, start=g.start, end=g.end, made=g.made, version=__version__,
        blocks=blocks)


def report_of(config: SiteConfig, store: History, *, start: int, end: int, made: int) -> Report:
    """Return the report of ``start`` to ``end`` (ms), as of ``made``."""
    monitor = SiteMonitor(plant=config.plant, settings=config.settings, step=config.step)
    return make(ReportData(
        plant=config.plant, settings=config.settings, history=store, start=start, end=end,
        made=made, not_monitored=monitor.not_monitored(), baselines=_baselines(monitor, store)))


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
