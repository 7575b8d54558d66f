"""Write a site's readings and events into the archive of a fleet.

The archive is a folder, partitioned by site and day: Parquet, open to any other engine. Writing the
same again changes nothing, and overlapping parts are merged. Without recordings the site's own
journal is read, readings and events; the daemon may run meanwhile.

Example:
  quietpipe archive /srv/archive fenmoor.toml
  quietpipe archive /srv/archive fenmoor.toml march.parquet --events march-events.jsonl

"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path

from collector.commands.shared_options import Progress, add_span
from collector.config import load_site
from collector.domain.columns import Columns
from collector.domain.errors import JournalError, UsageError
from collector.domain.events import Event, event_from_json
from collector.domain.readings import Reading
from collector.fleet.archive import Archive, Kept
from collector.journal import Journal
from collector.recorded import RecordingError, columns_within, read_columns
from collector.recorded.fields import Codes
from collector.recorded.row_reader import load_arrow

__all__ = ["add_arguments", "run"]

_BATCH = 65_536


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("archive", type=Path, metavar="ARCHIVE",
                        help="the folder; created if missing")
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    parser.add_argument("readings", type=Path, nargs="*", metavar="READINGS",
                        help="recordings: CSV, CSV in .gz, or .parquet; none: the site's journal")
    parser.add_argument("--events", type=Path, metavar="FILE",
                        help="events of the journal, as export --events writes them")
    add_span(parser)


def run(options: argparse.Namespace) -> int:
    """Archive; print the counts as a line of JSON; return the exit status."""
    load_arrow()
    config = load_site(options.site, secrets=False)
    archive, site = Archive(options.archive), config.plant.site.id
    try:
        with Progress("archived") as progress:
            if options.readings or options.events:
                readings, events = _from_files(archive, site, options, progress)
            else:
                readings, events = _from_journal(archive, site, options, config.data)
    except RecordingError as error:
        for mistake in error.mistakes:
            print(mistake, file=sys.stderr)
        print(f"{len(error.mistakes)} mistake(s) in the recordings; what comes after the first is "
              "not archived.", file=sys.stderr)
        return 2
    print(json.dumps({
        "site": site, "days": readings.days, "readings": readings.given,
        "new_readings": readings.new, "events": events.given, "new_events": events.new,
    }))
    return 0


def _from_files(
    archive: Archive, site: str, options: argparse.Namespace, progress: Progress,
) -> tuple[Kept, Kept]:
    readings = events = Kept()
    if options.readings:
        found = read_columns(options.readings, progress=progress.share)
        readings = archive.write(site, columns_within(found, options.start, options.end))
    if options.events:
        events = archive.write_events(
            site, _within(_read_events(options.events), options.start, options.end))
    return readings, events


def _read_events(path: Path) -> Iterator[Event]:
    try:
        with path.open(encoding="utf-8") as file:
            for number, line in enumerate(file, 1):
                try:
                    yield event_from_json(line)
                except (ValueError, KeyError) as exc:
                    raise UsageError(f"{path} line {number} is no event") from exc
    except OSError as exc:
        raise UsageError(f"{path} cannot be read: {exc.strerror}") from exc


def _within(events: Iterable[Event], start: int | None, end: int | None) -> Iterator[Event]:
    for event in events:
        if (start is None or start <= event.time) and (end is None or event.time < end):
            yield event


def _from_journal(
    archive: Archive, site: str, options: argparse.Namespace, data: Path,
) -> tuple[Kept, Kept]:
    path = data / "journal.sqlite"
    if not path.is_file():
        raise JournalError(f"there is no journal yet at {path}; quietpipe run begins one")
    journal = Journal.open(path, read_only=True)
    try:
        readings = archive.write(
            site, _columns(journal.readings(None, options.start, options.end)))
        stored = journal.events(start=options.start, end=options.end)
        return readings, archive.write_events(site, (s.event for s in stored))
    finally:
        journal.close()


def _columns(readings: Iterable[Reading]) -> Iterator[Columns]:
    codes, remaining = Codes(), iter(readings)
    while batch := list(islice(remaining, _BATCH)):
        yield codes.of_rows([(r.time, r.point, r.value, r.quality, r.why) for r in batch])
