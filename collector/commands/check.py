"""Read the site file, report every mistake with its place, then ask each device once.

Exit status 0 only when all is well: 2 when the site file is wrong, 1 when a device does not answer
or a point cannot be trusted, or a test message was not taken. Devices are only read.

Example:
  quietpipe check fenmoor.toml
  quietpipe check fenmoor.toml --no-devices
  quietpipe check fenmoor.toml --notify

"""

from __future__ import annotations

import argparse
import asyncio
import random
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from collector.app.monitor import Watch
from collector.clock import SystemClock
from collector.commands.shown import duration, shown_value
from collector.commands.trying import Tried, rota_lines, try_everybody
from collector.config import SiteConfig, load_site
from collector.domain.conditions import CATALOGUE, CAUTIONS
from collector.domain.readings import Quality, Reading
from collector.domain.verdicts import NotWatched
from collector.sources.poller import Poller

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    parser.add_argument("--no-devices", action="store_true", help="ask no device")
    parser.add_argument("--notify", action="store_true",
                        help="send a marked test message to every recipient and person")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    device: str
    now: int
    """When its last reading had been had, ms since 1970 UTC."""
    readings: Sequence[Reading]


def run(options: argparse.Namespace) -> int:
    """Check; return the exit status."""
    config = load_site(options.site)
    site = config.plant.site
    print(f"{options.site}: {site.id} ({site.name}), {len(config.plant.things())} things, "
          f"{len(config.devices)} devices: no mistakes")
    well = True
    if config.devices and not options.no_devices:
        answers = asyncio.run(_ask(config))
        well = _print_points(config, answers)
    _print_not_watched(Watch(plant=config.plant, settings=config.settings,
                             step=config.step).not_watched())
    for line in rota_lines(config, SystemClock().now()):
        print(line)
    if options.notify:
        well = _print_tried(asyncio.run(try_everybody(config, SystemClock().now()))) and well
    print()
    for text in CAUTIONS.values():
        print(text)
    return 0 if well else 1


async def _ask(config: SiteConfig) -> Sequence[_Asked]:
    clock = SystemClock()
    poller = Poller(config.devices, clock=clock, sink=lambda readings: None,
                    rng=random.Random(0))

    async def one(device: str) -> _Asked:
        readings = await poller.ask_once(device)
        return _Asked(device=device, now=clock.now(), readings=readings)
    try:
        return await asyncio.gather(*(one(d.id) for d in config.devices))
    finally:
        await poller.stop()


def _print_points(config: SiteConfig, answers: Sequence[_Asked]) -> bool:
    """Print a table of every point; return whether all are good."""
    rows = [("device", "point", "value", "age", "quality")]
    for asked in answers:
        for reading in asked.readings:
            trust = reading.quality.value + (f": {reading.why}" if reading.why else "")
            rows.append((asked.device, reading.point,
                         shown_value(reading, config.plant.site.units),
                         duration(asked.now - reading.time), trust))
    widths = [max(len(row[n]) for row in rows) for n in range(len(rows[0]))]
    print()
    for row in rows:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
              .rstrip())
    bad = sum(r.quality is not Quality.GOOD for a in answers for r in a.readings)
    silent = [a.device for a in answers if a.readings
              and all(r.quality is Quality.STALE for r in a.readings)]
    if silent:
        print(f"\nno answer from: {', '.join(silent)}")
    print(f"\n{sum(len(a.readings) for a in answers)} points asked, {bad} not good")
    return bad == 0


def _print_tried(tried: Sequence[Tried]) -> bool:
    """Print what became of each test message; return whether all were taken."""
    print("\ntest messages:" if tried else "\nnobody to send a test message to")
    for one in tried:
        name = f" ({one.name})" if one.name != one.recipient else ""
        print(f"  {one.recipient}{name}: {'taken' if not one.why else f'NOT taken: {one.why}'}")
    return bool(tried) and all(not one.why for one in tried)


def _print_not_watched(missing: Sequence[NotWatched]) -> None:
    if not missing:
        return
    by_condition: dict[str, dict[str, list[str]]] = {}
    for item in missing:
        by_condition.setdefault(item.condition, {}).setdefault(item.reason, []).append(item.asset)
    print("\nnot watched:")
    for condition, reasons in by_condition.items():
        title = CATALOGUE[condition].title if condition in CATALOGUE else condition
        for reason, assets in reasons.items():
            print(f"  {condition} ({title}) at {', '.join(dict.fromkeys(assets))}: {reason}")
