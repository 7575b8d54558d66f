"""Pipe volumes, fill and purge times of the plant, and what the site file leaves out.

Reads the site file, and the measured delivery from the journal where there is one. No device is
asked. Every number and every limit has its source.

Example:
  quietpipe survey fenmoor.toml
  quietpipe survey fenmoor.toml --delivery "4.6 scfm" --nitrogen-delivery "gen2=2.1 scfm"
  quietpipe survey fenmoor.toml --json > survey.json

"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from collector.app.monitor import SiteMonitor
from collector.config import SiteConfig, load_site
from collector.config.units import QuantityError, convert, parse_flow
from collector.domain.conditions import CAUTIONS
from collector.domain.errors import UsageError
from collector.domain.events import EstimateMade
from collector.journal import Journal
from collector.survey import Deliveries, Delivery, Note, Part, Survey, make_survey
from collector.survey.parts import Tone
from collector.survey.site_survey import measured

__all__ = ["add_arguments", "run"]

_MARKS = {Tone.GOOD: "ok", Tone.CAUTION: "CAUTION", Tone.MISSING: "not known", Tone.REMARK: "note"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    parser.add_argument("--delivery", action="append", default=[], metavar="[GEN=]FLOW",
                        help='what the compressor delivers on air, such as "4.6 scfm", of every '
                             'generator or of one: "gen1=4.6 scfm"')
    parser.add_argument("--nitrogen-delivery", action="append", default=[], metavar="[GEN=]FLOW",
                        help="what comes through the separator, written the same way")
    parser.add_argument("--product-oxygen", metavar="SHARE",
                        help='oxygen in the product, such as "0.8 %%" (default 1 %%)')
    parser.add_argument("--json", action="store_true", help="JSON, numbers with their units")


def run(options: argparse.Namespace) -> int:
    """Survey; return the exit status."""
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
        yield from _part(part, width)
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


def _part(part: Part, width: int) -> Iterator[str]:
    yield from _titled(f"{part.title} ({part.id})", "-")
    for figure in part.figures:
        line = f"{figure.name:<26}{figure.shown}"
        source = f"  [{figure.source}]"
        if len(line) + len(source) <= width:
            yield line + source
        else:
            yield line
            yield from _wrapped(" " * 26, source.strip(), width)
    for note in part.notes:
        yield from _note_lines(note, width)


def _note_lines(note: Note, width: int) -> Iterator[str]:
    text = note.text + (f" [{note.source}]" if note.source else "")
    yield from textwrap.wrap(text, width, initial_indent=f"{_MARKS[note.tone]:<11}",
                             subsequent_indent=" " * 11)


def _wrapped(indent: str, text: str, width: int) -> Iterator[str]:
    yield from textwrap.wrap(text, width, initial_indent=indent, subsequent_indent=indent + "  ")
