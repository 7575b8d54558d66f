"""From a site file and its journal to a report."""

from __future__ import annotations

import json

from collector.app.monitor import Watch
from collector.config import SiteConfig
from collector.domain.baselines import Baseline
from collector.reports.blocks import Report
from collector.reports.gathered import Gathered, History
from collector.reports.make import make

__all__ = ["report_of"]

def report_of(config: SiteConfig, store: History, *, start: int, end: int, made: int) -> Report:
    """Return the report of ``start`` to ``end`` (ms), as of ``made``."""
    watch = Watch(plant=config.plant, settings=config.settings, step=config.step)
    not_watched = watch.not_watched()
    return make(Gathered(
        plant=config.plant, settings=config.settings, history=store, start=start, end=end,
        made=made, not_watched=not_watched, baselines=_baselines(watch, store)))


def _baselines(watch: Watch, store: History) -> list[Baseline]:
    """Return the baselines as the watch last saved them; none where it never did."""
    saved = store.meta("watch")
    if saved is None:
        return []
    watch.load(json.loads(saved), [])
    return watch.baselines()
