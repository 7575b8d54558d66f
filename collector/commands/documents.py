"""Commands that write what people read: report, survey, explain."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.app.monitor import SiteMonitor
from collector.clock import SystemClock
from collector.config import SiteConfig, load_site
from collector.config.units import QuantityError, convert, parse_flow
from collector.domain.conditions import CAUTIONS
from collector.domain.errors import JournalError, UsageError
from collector.domain.events import EstimateMade
from collector.handbook import CONTENTS, UnknownPage, find_page
from collector.journal import Journal
from collector.reports import not_monitored_then, report_of
from collector.reports.report_files import FORMATS, write
from collector.reports.times import last_month, midnight
from collector.survey import Deliveries, Delivery, Note, Part, Survey, make_survey, measured


def report_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    parser.add_argument("--from", dest="start", metavar="T",
                        help="first day (2026-03-01) or instant (ISO 8601 with offset or Z)")
    parser.add_argument("--to", dest="end", metavar="T",
                        help="day or instant it ends at, end (exclusive)")
    parser.add_argument("--out", type=Path, default=Path(), metavar="FOLDER",
                        help="folder for the files; created if missing; default: here")
    parser.add_argument("--format", default="html,pdf", metavar="F",
                        help="html, pdf, txt (the first page), or some of them; default: html,pdf")
    parser.add_argument("--allow-empty", action="store_true",
                        help="also a period in which nothing was monitored")
    parser.add_argument("--as-of", metavar="T", help="write it as if it were made then; "
                        "default: now")


def run_report(options: argparse.Namespace) -> int:
    """Write the review of a period: what to do next, alarms, leak, oxygen, energy, missing data.

    The journal is read, which the daemon may write meanwhile. Days are from midnight to midnight by
    the site's clock; without --from and --to it is the last whole month. The names of the files
    written are printed.

    Example:
      quietpipe report fenmoor.toml
      quietpipe report fenmoor.toml --from 2026-01-01 --to 2027-01-01 --out reviews
      quietpipe report fenmoor.toml --from 2026-03-01T06:00:00Z --to 2026-03-02T06:00Z --format html

    """
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
        empty = not_monitored_then(journal, start, end, ZoneInfo(config.plant.site.timezone))
        if empty and not options.allow_empty:
            raise UsageError(f"{empty}; --allow-empty writes the report all the same")
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


_MARKS = {"Pass": "ok", "Fail": "CAUTION", "Not known": "not known", "Note": "note"}


def survey_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    parser.add_argument("--delivery", action="append", default=[], metavar="[GEN=]FLOW",
                        help='what the compressor delivers on air, such as "4.6 scfm", of every '
                             'generator or of one: "gen1=4.6 scfm"')
    parser.add_argument("--nitrogen-delivery", action="append", default=[], metavar="[GEN=]FLOW",
                        help="what comes through the separator, written the same way")
    parser.add_argument("--product-oxygen", metavar="SHARE",
                        help='oxygen in the product, such as "0.8 %%" (default 1 %%)')
    parser.add_argument("--json", action="store_true", help="JSON, numbers with their units")


def run_survey(options: argparse.Namespace) -> int:
    """Pipe volumes, fill and purge times of the plant, and what the site file leaves out.

    Reads the site file, and the measured delivery from the journal where there is one. No device is
    asked. Every number and every limit has its source.

    Example:
      quietpipe survey fenmoor.toml
      quietpipe survey fenmoor.toml --delivery "4.6 scfm" --nitrogen-delivery "gen2=2.1 scfm"
      quietpipe survey fenmoor.toml --json > survey.json

    """
    config = load_site(options.site, secrets=False)
    feed = None if options.product_oxygen is None else _share(options.product_oxygen)
    found = make_survey(
        config.plant, deliveries=_deliveries(config, options), feed=feed,
        not_monitored=SiteMonitor(plant=config.plant, settings=config.settings,
                          step=config.step).not_monitored(),
    )
    if options.json:
        print(json.dumps(found.as_data(), ensure_ascii=False, indent=1, allow_nan=False))
    else:
        width = min(shutil.get_terminal_size((100, 24)).columns, 100)
        sys.stdout.writelines(f"{line}\n" for line in _lines(found, width))
    return 0


def _share(text: str) -> float:
    try:
        share = convert(text, "percent") / 100
    except QuantityError as error:
        raise UsageError(f"--product-oxygen: {error}") from error
    if not 0 <= share < 1:
        raise UsageError(f"--product-oxygen: {text!r} is no share; expected such as \"0.8 %\"")
    return share


def _deliveries(config: SiteConfig, options: argparse.Namespace) -> Deliveries:
    units = list(config.plant.generators)
    nitrogen = dict(measured(config.plant, _estimates(config)))
    nitrogen |= _typed(options.nitrogen_delivery, "--nitrogen-delivery", config, units)
    return Deliveries(air=_typed(options.delivery, "--delivery", config, units),
                      nitrogen=nitrogen)


def _typed(
    texts: Sequence[str], option: str, config: SiteConfig, units: Sequence[str],
) -> Mapping[str, Delivery]:
    found: dict[str, Delivery] = {}
    for text in texts:
        name, equals, flow = text.rpartition("=")
        if equals and name not in units:
            raise UsageError(f'{option}: there is no generator "{name}"; there is '
                             + (", ".join(units) or "none"))
        try:
            mol = parse_flow(flow.strip()).mol_per_second(config.plant.site.standard_temperature)
        except QuantityError as error:
            raise UsageError(f"{option}: {error}") from error
        if mol <= 0:
            raise UsageError(f'{option}: "{flow}" is no flow; expected more than 0')
        for unit in [name] if equals else units:
            found[unit] = Delivery(flow=mol, source=f"typed, {option}")
    return found


def _estimates(config: SiteConfig) -> Sequence[EstimateMade]:
    path = config.data / "journal.sqlite"
    if not path.is_file():
        return ()
    with Journal.open(path, read_only=True) as journal:
        return [s.event for s in journal.events(kind="estimate")
                if isinstance(s.event, EstimateMade)]


# -- as text -------------------------------------------------------------------------------------


def _lines(found: Survey, width: int) -> Iterator[str]:
    yield f"Survey of {found.title} ({found.site})"
    for part in found.parts():
        yield ""
        yield from _part(part, found, width)
    yield ""
    yield from _titled("Conditions not monitored, and the key that each needs", "-")
    for note in found.lacks:
        yield from _wrapped("", f"{note.text}" + (f" ({note.source})" if note.source else ""),
                            width)
    if not found.lacks:
        yield "Nothing is left out."
    yield ""
    yield from _titled("Assumptions", "-")
    for text in found.assumptions:
        yield from _wrapped("", text, width)
    yield ""
    for name in ("not-a-fire-alarm", "impairment", "oxygen"):
        yield from _wrapped("", CAUTIONS[name], width)


def _titled(title: str, mark: str) -> Iterator[str]:
    yield title
    yield mark * len(title)


def _part(part: Part, survey: Survey, width: int) -> Iterator[str]:
    yield from _titled(f"{part.title} ({part.id})", "-")
    for figure in part.figures:
        line = f"{figure.name:<26}{figure.shown}"
        source = f"  [{survey.basis(figure.source)}]"
        if len(line) + len(source) <= width:
            yield line + source
        else:
            yield line
            yield from _wrapped(" " * 26, source.strip(), width)
    for note in part.notes:
        yield from _note_lines(note, survey.basis(note.source), width)


def _note_lines(note: Note, source: str, width: int) -> Iterator[str]:
    evidence = f" What would tell: {note.evidence}." if note.evidence else ""
    text = f"{note.text}{evidence}" + (f" [{source}]" if source else "")
    yield from textwrap.wrap(text, width, initial_indent=f"{_MARKS[note.answer]:<11}",
                             subsequent_indent=" " * 11)


def _wrapped(indent: str, text: str, width: int) -> Iterator[str]:
    yield from textwrap.wrap(text, width, initial_indent=indent, subsequent_indent=indent + "  ")


_WIDEST = 88


def explain_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("id", nargs="?", metavar="ID", default=CONTENTS,
                        help="a condition, a quantity or a subject; none lists them all")


def run_explain(options: argparse.Namespace) -> int:
    """Show the page of a condition or a quantity: what it means, what to check first, its settings.

    Without an id it lists every page.

    Example:
      quietpipe explain
      quietpipe explain pressure-low
      quietpipe explain leak-rate
      quietpipe explain site-file

    """
    try:
        page = find_page(options.id)
    except UnknownPage as error:
        print(f"quietpipe explain: {error}\n(quietpipe explain lists every page)",
              file=sys.stderr)
        return 2
    print(page.text(min(shutil.get_terminal_size((_WIDEST, 24)).columns, _WIDEST)), end="")
    return 0
