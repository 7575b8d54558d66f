"""A small fleet: sites whose riser loses its pressure at different times."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy

from collector.app.monitor import SiteMonitor
from collector.config import load_site
from collector.domain.events import event_to_json
from collector.domain.readings import Columns, readings_of
from collector.fleet.archive import Archive
from tests.config.conftest import SITE

T0 = 1_772_323_200_000  # 2026-03-01T00:00:00Z
DAY = 86_400_000
EVERY = 60_000
POINTS = ["gen1.tank_pressure", "gen1.compressor_running", "r1.pressure", "r1-vent.oxygen"]


def site_file(folder: Path, site: str) -> Path:
    """Write a site file without devices."""
    text = SITE[:SITE.index("[[devices]]")].replace('id = "fenmoor"', f'id = "{site}"')
    path = folder / f"{site}.toml"
    path.write_text(text)
    return path


def story(days: int, low_at: int, points: Sequence[str] = POINTS) -> Columns:
    """Return ``days`` of readings a minute apart; the pressure is low for an hour each day."""
    times = numpy.arange(T0, T0 + days * DAY, EVERY, dtype=numpy.int64)
    minute = (times - T0) // EVERY % 1440
    tank = 60.0 + 20.0 * ((minute % 240) / 240)
    low = (minute >= low_at) & (minute < low_at + 60)
    values = {
        "gen1.tank_pressure": numpy.round(tank, 2),
        "gen1.compressor_running": (minute % 240 > 230).astype(float),
        "r1.pressure": numpy.where(low, 17.0, 25.0) + (minute % 7) * 0.01,
        "r1-vent.oxygen": 2.0 + 0.1 * (minute % 3),
    }
    rows = [values[p] for p in points]
    flat = numpy.stack(rows, axis=1).ravel()
    # Every hundredth reading was asked for and not had.
    good = numpy.arange(len(flat)) % 100 != 99
    return Columns(
        names=list(points), times=numpy.repeat(times, len(points)),
        points=numpy.tile(numpy.arange(len(points), dtype=numpy.int32), len(times)),
        values=numpy.where(good, flat, numpy.nan), good=good,
    )


def one_by_one(site: Path, columns: Columns) -> list[str]:
    """Return the events of one reading after the other."""
    config = load_site(site, secrets=False)
    monitor = SiteMonitor(plant=config.plant, settings=config.settings, step=config.step)
    events = [*monitor.feed(readings_of(columns)), *monitor.advance(int(columns.times[-1]))]
    return [event_to_json(event) for event in events]


def fleet(folder: Path, count: int, days: int = 3) -> tuple[Path, Path, dict[str, Columns]]:
    """Write ``count`` sites and their archive; return both folders and what was read."""
    archive, sites = folder / "archive", folder / "sites"
    sites.mkdir()
    stories = {f"site-{n}": story(days, 100 * n + 30) for n in range(count)}
    for site, columns in stories.items():
        site_file(sites, site)
        Archive(archive).write(site, [columns])
    return archive, sites, stories
