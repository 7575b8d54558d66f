"""Commands for recorded readings: replay and export."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Iterator, Sequence
from fnmatch import fnmatchcase
from pathlib import Path
from typing import TypeVar

from collector.app.monitor import SiteMonitor
from collector.clock import format_instant
from collector.commands import Progress, add_span, print_recording_mistakes
from collector.config import load_site
from collector.domain.errors import JournalError
from collector.domain.events import Event, event_to_json
from collector.domain.readings import Columns, Reading
from collector.journal import Journal
from collector.recorded import RecordingError, SiteFilter, site_readings, write_csv, write_parquet


def replay_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    parser.add_argument("readings", type=Path, nargs="+", metavar="READINGS",
                        help="recordings: CSV, CSV in .gz, or .parquet")
    parser.add_argument("--unsorted", action="store_true",
                        help="sort first: for rows more than a minute out of order")
    add_span(parser)


def run_replay(options: argparse.Namespace) -> int:
    """Feed recorded readings through the same rules with the recorded clock.

    Prints events as JSON lines. No device is asked, no message is sent, no journal is changed; the
    same readings give the same bytes. Recordings are CSV with the header time,point,value (and
    unit, quality, why), also as .gz, or .parquet; several are merged by time; - is standard input.

    Example:
      quietpipe replay fenmoor.toml march.csv.gz
      quietpipe replay fenmoor.toml --unsorted logger-a.csv logger-b.parquet

    """
    config = load_site(options.site, secrets=False)
    monitor = SiteMonitor(plant=config.plant, settings=config.settings, step=config.step)
    site = SiteFilter(config.plant)
    found = False
    try:
        with Progress("replayed") as progress:
            for events in _replayed(monitor, site, options, progress):
                found = True
                _print_events(events)
    except RecordingError as error:
        print_recording_mistakes(error, "the replay stopped before the first.")
        return 2
    _print_left_out(site)
    if said := site.second_values.text():
        print(said, file=sys.stderr)
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


def _print_events(events: Sequence[Event]) -> None:
    if events:
        sys.stdout.write("".join(event_to_json(event) + "\n" for event in events))
        sys.stdout.flush()


def _print_left_out(site: SiteFilter) -> None:
    points = site.left_out()
    if points:
        print(f"left out, since the site file has no such thing: {', '.join(points)}",
              file=sys.stderr)


_EVERY = 5000
T = TypeVar("T")


def export_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    add_span(parser)
    parser.add_argument("--points", nargs="+", metavar="P",
                        help="only these points; * and ? stand for any text, as in 'gen1.*'")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--format", choices=["csv", "parquet"], default="csv",
                      help="default: csv")
    what.add_argument("--events", action="store_true", help="events instead of readings")


def run_export(options: argparse.Namespace) -> int:
    """Write readings, or events as JSON lines, from the journal.

    Readings are written as CSV to standard output by default, all of them without a span. The
    daemon may run meanwhile. The output can be given to replay.

    Example:
      quietpipe export fenmoor.toml --from 2026-03-01T00:00:00Z --points 'gen1.*' > march.csv
      quietpipe export fenmoor.toml --format parquet > all.parquet
      quietpipe export fenmoor.toml --events > events.jsonl

    """
    config = load_site(options.site, secrets=False)
    path = config.data / "journal.sqlite"
    if not path.is_file():
        raise JournalError(f"there is no journal yet at {path}; quietpipe run begins one")
    journal = Journal.open(path, read_only=True)
    try:
        with Progress("exported") as progress:
            return _events(journal, options, progress) if options.events \
                else _readings(journal, options, progress)
    finally:
        journal.close()


def _events(journal: Journal, options: argparse.Namespace, progress: Progress) -> int:
    events = journal.events(start=options.start, end=options.end)
    for stored in _counted(events, progress):
        sys.stdout.write(event_to_json(stored.event) + "\n")
    sys.stdout.flush()
    return 0


def _readings(journal: Journal, options: argparse.Namespace, progress: Progress) -> int:
    points = _points(journal.points(), options.points)
    readings = () if points == [] else journal.readings(points, options.start, options.end)
    shown = _counted(readings, progress)
    if options.format == "parquet":
        if sys.stdout.isatty():
            print("Parquet is not for a terminal; add > FILE.parquet", file=sys.stderr)
            return 2
        write_parquet(shown, sys.stdout.buffer)
    else:
        write_csv(shown, sys.stdout)
    sys.stdout.flush()
    return 0


def _points(known: Sequence[str], wanted: Sequence[str] | None) -> list[str] | None:
    """Return the known points that fit, ``None`` for all; say which pattern fits none."""
    if wanted is None:
        return None
    for pattern in wanted:
        if not any(fnmatchcase(point, pattern) for point in known):
            print(f"no point in the journal fits {pattern}", file=sys.stderr)
    return [p for p in known if any(fnmatchcase(p, pattern) for pattern in wanted)]


def _counted(items: Iterable[T], progress: Progress) -> Iterator[T]:
    for count, item in enumerate(items, 1):
        if count % _EVERY == 0:
            progress.count(count, _moment(item))
        yield item


def _moment(item: object) -> str:
    return f" ({format_instant(item.time)})" if isinstance(item, Reading) else ""
