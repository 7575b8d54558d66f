"""Reports on a period for owner, insurer and service firm, as HTML and PDF."""

from __future__ import annotations

import json
import logging
from zoneinfo import ZoneInfo

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
from collector.reports.times import instant_words, period_words
from collector.reports.window_sections import windows

__all__ = ["History", "Report", "ReportData", "make", "not_monitored_then",
           "report_of"]


_log = logging.getLogger(__name__)


def make(g: ReportData) -> Report:
    """Return the report of the collected data."""
    blocks: list[Block] = [
        *summary(g), *active_alarms(g), cautions(), *pressures(g), *leak(g), *oxygen(g),
        *supply(g), *energy(g), *service(g), *gauges(g), *events(g), *windows(g),
        *alarm_measures(g),
        *baselines(g), *coverage(g), *not_monitored(g),
    ]
    return Report(
        title="Review", site=g.plant.site.name, period=period_words(g.start, g.end, g.zone),
        zone=g.plant.site.timezone, start=g.start, end=g.end, made=g.made, version=__version__,
        blocks=blocks)


def not_monitored_then(store: History, start: int, end: int, zone: ZoneInfo) -> str:
    """Return, where no point was read from ``start`` to ``end`` (ms), a sentence that says so."""
    if any(s.count for p in store.points() for s in store.trend(p, start, end, end - start)):
        return ""
    span = store.span()
    when = "no device has been read yet" if span is None else \
        f"readings begin at {instant_words(span[0], zone)}, the last is of " \
        f"{instant_words(span[1], zone)}"
    return f"nothing was monitored in {period_words(start, end, zone)}: {when}"


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
