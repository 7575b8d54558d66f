"""Read the site file, report every mistake with its place, then poll each device once.

Exit status 0 only without any fault: 2 for mistakes in the site file, 1 when a device does not
answer, a point is not good, or a test message was not delivered. Devices are only read.

Example:
  quietpipe check fenmoor.toml
  quietpipe check fenmoor.toml --no-devices
  quietpipe check fenmoor.toml --notify

"""

from __future__ import annotations

import argparse
import asyncio
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.app.monitor import SiteMonitor
from collector.clock import SystemClock
from collector.config import SiteConfig, load_site
from collector.domain.conditions import CATALOGUE, CAUTIONS
from collector.domain.errors import DeliveryError
from collector.domain.evaluations import NotMonitored
from collector.domain.events import SystemEvent, event_to_json
from collector.domain.formatting import duration_text, time_text
from collector.domain.readings import MODES, QUANTITIES, Quality, Reading, point_kind, split_point
from collector.notify.channels import Channel, channel_for
from collector.notify.message import Message
from collector.notify.recipients import Recipient, next_hand_over, turns
from collector.sources.poller import Poller

__all__ = [
    "TestResult",
    "add_arguments",
    "rota_lines",
    "run",
    "send_test_messages",
    "shown_value",
    "test_message",
]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    parser.add_argument("--no-devices", action="store_true", help="poll no device")
    parser.add_argument("--notify", action="store_true",
                        help="send a marked test message to every recipient and person")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Polled:
    device: str
    now: int
    """End of its poll, ms since 1970 UTC."""
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
    _print_not_monitored(SiteMonitor(plant=config.plant, settings=config.settings,
                             step=config.step).not_monitored())
    for line in rota_lines(config, SystemClock().now()):
        print(line)
    if options.notify:
        results = asyncio.run(send_test_messages(config, SystemClock().now()))
        well = _print_test_results(results) and well
    print()
    for text in CAUTIONS.values():
        print(text)
    return 0 if well else 1


async def _ask(config: SiteConfig) -> Sequence[_Polled]:
    clock = SystemClock()
    poller = Poller(config.devices, clock=clock, sink=lambda readings: None,
                    rng=random.Random(0))

    async def one(device: str) -> _Polled:
        readings = await poller.ask_once(device)
        return _Polled(device=device, now=clock.now(), readings=readings)
    try:
        return await asyncio.gather(*(one(d.id) for d in config.devices))
    finally:
        await poller.stop()


def _print_points(config: SiteConfig, answers: Sequence[_Polled]) -> bool:
    """Print a table of every point; return whether all are good."""
    rows = [("device", "point", "value", "age", "quality")]
    for asked in answers:
        for reading in asked.readings:
            trust = reading.quality.value + (f": {reading.why}" if reading.why else "")
            rows.append((asked.device, reading.point,
                         shown_value(reading, config.plant.site.units),
                         duration_text(asked.now - reading.time), trust))
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


def _print_test_results(tried: Sequence[TestResult]) -> bool:
    """Print the outcome of each test message; return whether all were delivered."""
    print("\ntest messages:" if tried else "\nno recipients to send a test message to")
    for one in tried:
        name = f" ({one.name})" if one.name != one.recipient else ""
        result = f"NOT accepted: {one.why}" if one.why else "accepted"
        print(f"  {one.recipient}{name}: {result}")
    return bool(tried) and all(not one.why for one in tried)


def _print_not_monitored(missing: Sequence[NotMonitored]) -> None:
    if not missing:
        return
    by_condition: dict[str, dict[str, list[str]]] = {}
    for item in missing:
        by_condition.setdefault(item.condition, {}).setdefault(item.reason, []).append(item.asset)
    print("\nnot monitored:")
    for condition, reasons in by_condition.items():
        title = CATALOGUE[condition].title if condition in CATALOGUE else condition
        for reason, assets in reasons.items():
            print(f"  {condition} ({title}) at {', '.join(dict.fromkeys(assets))}: {reason}")


_BAR = 0.0689475729


def shown_value(reading: Reading, units: str) -> str:
    """Return the value with its unit; ``units`` is ``us`` or ``metric``."""
    value = reading.value
    if value is None:
        return "-"
    _, name = split_point(reading.point)
    quantity = next(q for q in (point_kind(k, name) for k in QUANTITIES) if q is not None)
    match quantity.unit, units:
        case "mode", _:
            return MODES[int(value)] if value in range(len(MODES)) else f"{value:g}"
        case "psi", "metric":
            return f"{value * _BAR:.3g} bar"
        case "degC", "us":
            return f"{value * 9 / 5 + 32:.1f} degF"
        case ("contact" | "count"), _:
            return f"{value:.10g}"
    return f"{value:.6g} {quantity.unit}"


_LONGEST = 60.0
"""Seconds of real time that one send may take."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TestResult:
    """The outcome of one test message; ``why`` is empty when it was delivered."""

    recipient: str
    name: str
    why: str = ""


def test_message(config: SiteConfig, recipient: Recipient, now: int) -> Message:
    """Return the test message, which says that it is no alarm."""
    site = config.plant.site
    fact = SystemEvent(
        time=now, site=site.id, fact="test-message",
        text=f"This is a test and no alarm. Messages of {site.name} reach {recipient.called}.",
        values={"recipient": recipient.id},
    )
    if recipient.wants_events:
        return Message(subject="Test", body=event_to_json(fact))
    when = time_text(now, ZoneInfo(site.timezone))
    return Message(
        subject=f"TEST, no alarm – messages reach you · {site.name}",
        body="\n\n".join([fact.text, f"Site: {site.name}\nSent: {when}",
                          "Nothing is to be done.", CAUTIONS["not-a-fire-alarm"]]),
    )


async def send_test_messages(
    config: SiteConfig, now: int, channel: Callable[[Recipient], Channel] = channel_for,
) -> list[TestResult]:
    """Send a test message to each recipient with an address and each person; return outcomes."""
    everybody = [r for r in (*config.recipients, *config.people) if r.to]

    async def one(recipient: Recipient) -> TestResult:
        tried = TestResult(recipient=recipient.id, name=recipient.called)
        try:
            await asyncio.wait_for(
                channel(recipient).send(recipient, test_message(config, recipient, now)), _LONGEST)
        except DeliveryError as error:
            return TestResult(recipient=tried.recipient, name=tried.name, why=str(error))
        except TimeoutError:
            return TestResult(recipient=tried.recipient, name=tried.name,
                         why=f"no end within {_LONGEST:g} s")
        return tried

    return list(await asyncio.gather(*(one(r) for r in everybody)))


def rota_lines(config: SiteConfig, now: int) -> list[str]:
    """Return a line for each rota: the person on duty, until when, and the next one."""
    names = {p.id: p.called for p in config.people}
    lines = []
    for rota in config.rotas.values():
        order = [names[who] for who in turns(rota, now)]
        change = next_hand_over(rota, now)
        until = "" if change is None else f" until {time_text(change, rota.zone)}"
        then = f"; then {order[1]}" if len(order) > 1 else ""
        lines.append(f"rota {rota.id}: {order[0]} is on duty{until}{then}")
    return lines
