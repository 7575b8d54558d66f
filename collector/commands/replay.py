"""Feed recorded readings through the same rules with the recorded clock.

Prints events as JSON lines. No device is asked, no message is sent, no journal is changed; the same
readings give the same bytes. Recordings are CSV with the header time,point,value (and unit,
quality, why), also as .gz, or .parquet; several are merged by time; - is standard input.

Example:
  quietpipe replay fenmoor.toml march.csv.gz
  quietpipe replay fenmoor.toml --unsorted logger-a.csv logger-b.parquet

"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from collector.app.monitor import SiteMonitor
from collector.commands.shared_options import Progress, add_span
from collector.config import load_site
from collector.domain.columns import Columns
from collector.domain.events import Event, event_to_json
from collector.recorded import RecordingError, SiteFilter, site_readings

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    parser.add_argument("readings", type=Path, nargs="+", metavar="READINGS",
                        help="recordings: CSV, CSV in .gz, or .parquet")
    parser.add_argument("--unsorted", action="store_true",
                        help="sort first: for rows more than a minute out of order")
    add_span(parser)


def run(options: argparse.Namespace) -> int:
    """Replay; return the exit status, 2 when a recording has bad rows or no reading."""
    config = load_site(options.site, secrets=False)
    monitor = SiteMonitor(plant=config.plant, settings=config.settings, step=config.step)
    site = SiteFilter(config.plant)
    found = False
    try:
        with Progress("replayed") as progress:
            for events in _replayed(monitor, site, options, progress):
                found = True
                _print(events)
    except RecordingError as error:
        for mistake in error.mistakes:
            print(mistake, file=sys.stderr)
        print(f"{len(error.mistakes)} mistake(s) in the recordings; the replay stopped before "
              "the first.", file=sys.stderr)
        return 2
    _print_left_out(site)
    if not found:
        print("The recordings have no reading of this site in this span.", file=sys.stderr)
        return 2
    return 0


def _replayed(
    monitor: SiteMonitor, site: SiteFilter, options: argparse.Namespace, progress: Progress,
) -> Iterator[Sequence[Event]]:
    last: int | None = None
    for batch in site_readings(options.readings, site, unsorted=options.unsorted,
                               progress=progress.share, start=options.start, end=options.end):
        if isinstance(batch, Columns):
            yield monitor.feed_columns(batch)
            last = int(batch.times[-1])
        else:
            yield monitor.feed(batch)
            last = batch[-1].time
    if last is not None:
        # Ticks that are due by the last reading, and none later: what came after is not known.
        yield monitor.advance(last)


def _print(events: Sequence[Event]) -> None:
    if events:
        sys.stdout.write("".join(event_to_json(event) + "\n" for event in events))
        sys.stdout.flush()


def _print_left_out(site: SiteFilter) -> None:
    points = site.left_out()
    if points:
        print(f"left out, since the site file has no such thing: {', '.join(points)}",
              file=sys.stderr)
