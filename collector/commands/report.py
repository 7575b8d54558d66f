"""Write the review of a period: what to do next, alarms, leak, oxygen, energy, missing data.

The journal is read, which the daemon may write meanwhile. Days are from midnight to midnight by the
site's clock; without --from and --to it is the last whole month. The names of the files written are
printed.

Example:
  quietpipe report fenmoor.toml
  quietpipe report fenmoor.toml --from 2026-01-01 --to 2027-01-01 --out reviews
  quietpipe report fenmoor.toml --from 2026-03-01T06:00:00Z --to 2026-03-02T06:00:00Z --format html

"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.clock import SystemClock
from collector.config import SiteConfig, load_site
from collector.domain.errors import JournalError, UsageError
from collector.journal import Journal
from collector.reports import report_of
from collector.reports.report_files import FORMATS, write
from collector.reports.times import last_month, midnight

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    parser.add_argument("--from", dest="start", metavar="T",
                        help="first day (2026-03-01) or instant (ISO 8601 with offset or Z)")
    parser.add_argument("--to", dest="end", metavar="T",
                        help="day or instant it ends at, end (exclusive)")
    parser.add_argument("--out", type=Path, default=Path(), metavar="FOLDER",
                        help="folder for the files; created if missing; default: here")
    parser.add_argument("--format", default="html,pdf", metavar="F",
                        help="html, pdf, txt (the first page), or some of them; default: html,pdf")
    parser.add_argument("--as-of", metavar="T", help="write it as if it were made then; "
                        "default: now")


def run(options: argparse.Namespace) -> int:
    """Write the report; return the exit status."""
    config = load_site(options.site, secrets=False)
    now = _moment(options.as_of, config)
    start, end = _span(options, config, now)
    formats = [f.strip() for f in options.format.split(",")]
    unknown = [f for f in formats if f not in FORMATS]
    if unknown:
        raise UsageError(f'there is no format "{unknown[0]}"; expected html, pdf, txt, or some of '
                         "them with commas between")
    path = config.data / "journal.sqlite"
    if not path.is_file():
        raise JournalError(f"there is no journal yet at {path}; quietpipe run begins one")
    if sys.stderr.isatty():
        print("reading the journal …", file=sys.stderr)
    with Journal.open(path, read_only=True) as journal:
        report = report_of(config, journal, start=start, end=end, made=now)
    for file in write(report, config.plant.site.id, options.out, formats):
        print(file)
    return 0


def _moment(text: str | None, config: SiteConfig) -> int:
    try:
        return SystemClock().now() if text is None \
            else midnight(text, ZoneInfo(config.plant.site.timezone))
    except ValueError as exc:
        raise UsageError(str(exc)) from exc


def _span(options: argparse.Namespace, config: SiteConfig, now: int) -> tuple[int, int]:
    zone = ZoneInfo(config.plant.site.timezone)
    start, end = last_month(now, zone)
    try:
        if options.start is not None:
            start, end = midnight(options.start, zone), now
        if options.end is not None:
            end = midnight(options.end, zone)
    except ValueError as exc:
        raise UsageError(str(exc)) from exc
    end = min(end, now)
    if start >= end:
        raise UsageError("the period ends before it begins, or lies in the future")
    return start, end
