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

from collector.app.monitor import Watch
from collector.commands.shared_options import Progress, add_span
from collector.config import load_site
from collector.domain.events import Event, event_to_json
from collector.recorded import (
    RecordingError,
    Sieve,
    columns_available,
    columns_within,
    read_columns,
    read_recordings,
    readings_of,
    rows_within,
)

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
    """Replay; return the exit status, 2 when a recording has bad rows."""
    config = load_site(options.site, secrets=False)
    watch = Watch(plant=config.plant, settings=config.settings, step=config.step)
    sieve = Sieve(config.plant)
    try:
        with Progress("replayed") as progress:
            replayed = _by_columns if columns_available() else _by_rows
            for events in replayed(watch, sieve, options, progress):
                _print(events)
    except RecordingError as error:
        for mistake in error.mistakes:
            print(mistake, file=sys.stderr)
        print(f"{len(error.mistakes)} mistake(s) in the recordings; the replay stopped before "
              "the first.", file=sys.stderr)
        return 2
    _say_left_out(sieve)
    return 0


def _by_columns(
    watch: Watch, sieve: Sieve, options: argparse.Namespace, progress: Progress,
) -> Iterator[Sequence[Event]]:
    batches = read_columns(options.readings, unsorted=options.unsorted, progress=progress.share)
    last: int | None = None
    within = columns_within(batches, options.start, options.end)
    for columns in sieve.columns(within):
        if len(columns):
            yield watch.feed_columns(columns)
            last = int(columns.times[-1])
    if last is not None:
        yield watch.advance(last)


def _by_rows(
    watch: Watch, sieve: Sieve, options: argparse.Namespace, progress: Progress,
) -> Iterator[Sequence[Event]]:
    batches = read_recordings(
        options.readings, unsorted=options.unsorted, progress=progress.share)
    last: int | None = None
    for rows in sieve.rows(rows_within(batches, options.start, options.end)):
        if rows:
            yield watch.feed(readings_of(rows))
            last = rows[-1][0]
    if last is not None:
        # What is due by the last reading, and nothing beyond: nobody knows what came after it.
        yield watch.advance(last)


def _print(events: Sequence[Event]) -> None:
    if events:
        sys.stdout.write("".join(event_to_json(event) + "\n" for event in events))
        sys.stdout.flush()


def _say_left_out(sieve: Sieve) -> None:
    points = sieve.left_out()
    if points:
        print(f"left out, since the site file has no such thing: {', '.join(points)}",
              file=sys.stderr)
