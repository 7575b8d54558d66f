"""Guide through the acceptance tests, timed from live readings."""

from __future__ import annotations

import argparse
import json
import sys
import textwrap
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from collector.acceptance import (
    PIPES,
    AcceptanceService,
    Record,
    Result,
    Size,
    Verification,
    verify,
)
from collector.app.wiring import acceptance_events, open_acceptance
from collector.commands.walk import Walk
from collector.config import SiteConfig, load_site
from collector.config.units import QuantityError, convert
from collector.domain.conditions import CAUTIONS
from collector.domain.errors import JournalError, UsageError
from collector.journal import Journal
from collector.survey.parts import SiteUnits


def acceptance_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    parser.add_argument("--by", metavar="NAME", help="your name; asked for when left out")
    parser.add_argument("--size", choices=[s.value for s in Size], default=Size.SMALL.value,
                        help="of the unit, when an acceptance is opened: a small one may take "
                             "longer to pump up (default: small)")
    parser.add_argument("--pipe", choices=list(PIPES), default="",
                        help="when an acceptance is opened: which form of the tightness test")
    parser.add_argument("--resume", action="store_true",
                        help="only continue one that is in progress")
    parser.add_argument("--list", action="store_true", help="list every step with its state")
    parser.add_argument("--json", action="store_true", help="with --list: the whole record as JSON")
    parser.add_argument("--step", metavar="ID", help="do this step alone")
    parser.add_argument("--again", action="store_true", help="with --step: start it again")
    parser.add_argument("--leave-out", metavar="REASON",
                        help="with --step: skip the test, with the reason")
    parser.add_argument("--typed", metavar="SHARE",
                        help='with --step: enter the reading of an instrument ("0.8 %%" oxygen)')
    parser.add_argument("--instrument", metavar="NAME", help="with --typed: which instrument")
    parser.add_argument("--serial", metavar="NUMBER", help="with --typed: its serial number")
    parser.add_argument("--sign", action="append", metavar="'NAME, ROLE'", default=[],
                        help="sign the record and write its PDF; once for each person present")
    parser.add_argument("--verify", type=Path, metavar="RECORD.pdf",
                        help="is this file, byte for byte, one that was signed here?")


def run_acceptance(options: argparse.Namespace) -> int:
    """Guide through the acceptance tests, timed from live readings.

    Start quietpipe run first: this reads its journal and never a device. A step continues when this
    command ends or is killed; run it again to return to it. The record is signed at the end, as a
    PDF whose SHA-256 the daemon writes into its journal.

    For maintenance monitoring only; no substitute for a listed fire-alarm system. Filling, closing
    or testing a system is an impairment: follow the impairment procedure first.

    Example:
      quietpipe acceptance fenmoor.toml                        one step after another
      quietpipe acceptance fenmoor.toml --list                 the state of each step
      quietpipe acceptance fenmoor.toml --step fill.r1         one step alone
      quietpipe acceptance fenmoor.toml --step purity.gen1 --typed "0.8 %" --instrument "Oxygen
                                        meter K2" --serial 4711
      quietpipe acceptance fenmoor.toml --step tightness-24h.r1 --leave-out "pipe in service"
      quietpipe acceptance fenmoor.toml --sign "Ines Okoro, technician" --sign "B. Lee, owner"
      quietpipe acceptance fenmoor.toml --verify fenmoor-20260301T101500Z.pdf

    """
    config = load_site(options.site, secrets=False)
    path = config.data / "journal.sqlite"
    if not path.is_file():
        raise JournalError(f"there is no journal yet at {path}: acceptance times the "
                           f"readings of the daemon; start quietpipe run {options.site} first")
    with Journal.open(path, read_only=True) as journal:
        if options.verify is not None:
            return _verify(options.verify, config, journal)
        service = open_acceptance(lambda: config.plant, config.data, journal)
        walk = Walk(service, journal, SiteUnits(config.plant.site), by=options.by or "")
        if options.list:
            return _list(service, walk, as_json=options.json)
        return _do(service, walk, config, options)


def _do(
    service: AcceptanceService, walk: Walk, config: SiteConfig, options: argparse.Namespace,
) -> int:
    current = service.current()
    if options.resume and current is None:
        raise UsageError("no acceptance is under way here; leave --resume out to open one")
    for name in ("again", "leave_out", "typed"):
        if getattr(options, name) and not options.step:
            raise UsageError(f"--{name.replace('_', '-')} wants --step ID; --list shows the ids")
    people = [_person(text) for text in options.sign]
    if people:
        return walk.sign(_under_way(current), people)
    _say_cautions()
    walk.ask_name()
    if current is None:
        current = walk.open(Size(options.size), options.pipe)
    if options.leave_out:
        return walk.skip(current, options.step, options.leave_out)
    if options.typed:
        return _type_in(walk, current, options)
    if options.step:
        return walk.one(current, options.step, again=options.again)
    return walk.all(current)


def _say_cautions() -> None:
    for name in ("not-a-fire-alarm", "impairment", "compressor", "oxygen", "only-reads"):
        print(textwrap.fill(CAUTIONS[name], 98, subsequent_indent="  "), file=sys.stderr)


def _under_way(current: Record | None) -> Record:
    if current is None:
        raise UsageError("no acceptance is under way here: there is nothing to sign")
    return current


def _person(text: str) -> tuple[str, str]:
    name, comma, role = text.rpartition(",")
    if not comma or not name.strip() or not role.strip():
        raise UsageError(f'--sign wants a name and a role, such as "Ines Okoro, technician"; '
                         f"given {text!r}")
    return name.strip(), role.strip()


def _type_in(walk: Walk, current: Record, options: argparse.Namespace) -> int:
    if not (options.instrument and options.serial):
        raise UsageError("--typed wants --instrument and --serial: a number without them proves "
                         "nothing")
    try:
        value = convert(options.typed, "percent")
    except QuantityError as error:
        raise UsageError(f"--typed: {error}") from error
    return walk.enter_reading(current, options.step, value, options.instrument, options.serial)


def _list(service: AcceptanceService, walk: Walk, *, as_json: bool) -> int:
    records = service.records()
    current = service.current() or (records[-1] if records else None)
    if current is None:
        current = walk.imagined()
        print("No acceptance was opened yet; these are the steps there are.", file=sys.stderr)
    if as_json:
        print(json.dumps(asdict(current), ensure_ascii=False, indent=1, allow_nan=False))
        return 0
    now = walk.now()
    rows = [(one.step.id, _state(one.entry.result, one.step.blocked), one.step.title)
            for one in (service.state(current, step, now) for step in service.steps(current))]
    _table([("step", "result", "what"), *rows])
    if current.sealed is not None:
        print(f"signed {walk.words.moment(current.sealed)}: {service.store.pdf_path(current.id)}",
              file=sys.stderr)
    return 0


def _state(result: Result, blocked: str) -> str:
    return "cannot be timed" if blocked and result is Result.OPEN else result.value


def _table(rows: Sequence[tuple[str, ...]]) -> None:
    widths = [max(len(row[n]) for row in rows) for n in range(len(rows[0]))]
    for row in rows:
        print("  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip())


def _verify(path: Path, config: SiteConfig, journal: Journal) -> int:
    try:
        content = path.read_bytes()
    except OSError as error:
        raise UsageError(f"{path} cannot be read: {error.strerror}") from error
    found: Verification = verify(content, acceptance_events(journal))
    print(f"sha256 {found.digest}")
    if found.signed is None:
        print(f"NOT GENUINE: the journal of {config.plant.site.id} holds no signed record with "
              "this hash. The file was changed, or never signed here. (One signed a moment ago is "
              "there once the daemon has run for some seconds.)")
        return 1
    print(f"genuine: {found.signed.values['record']}, signed by {found.signed.values['by']}, "
          f"journalled {SiteUnits(config.plant.site).moment(found.signed.time)}")
    return 0
