"""Read the site file, report every mistake with its place, then poll each device twice."""

from __future__ import annotations

import argparse
import asyncio
import random
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.app.monitor import SiteMonitor
from collector.clock import SystemClock
from collector.commissioning.first_look import FirstLook, look_at
from collector.commissioning.profile_images import image_path, load_profile, read_image
from collector.config import SiteConfig, load_site
from collector.config.diagnostics import read_text
from collector.config.profiles import Profile
from collector.config.units import QuantityError, convert
from collector.domain.conditions import CATALOGUE, CAUTIONS
from collector.domain.errors import DeliveryError, Mistake, SiteFileError, UsageError
from collector.domain.evaluations import NotMonitored, missing_here
from collector.domain.events import SystemEvent, event_to_json
from collector.domain.readings import MODES, QUANTITIES, Quality, Reading, point_kind, split_point
from collector.domain.units import duration_text, time_text
from collector.notify import Message
from collector.notify.channels import Channel, channel_for
from collector.notify.recipients import Recipient, next_hand_over, turns
from collector.sources import Address, DeviceSettings
from collector.sources.poller import Poller
from collector.sources.read_plan import point_names


def check_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    parser.add_argument("--no-devices", action="store_true", help="poll no device")
    parser.add_argument("--pause", default="3 s", metavar="TIME",
                        help="rest between the two polls of a device (default: 3 s)")
    parser.add_argument("--notify", action="store_true",
                        help="send a marked test message to every recipient and person")


def run_check(options: argparse.Namespace) -> int:
    """Read the site file, report every mistake with its place, then poll each device twice.

    Each value is shown with its raw words and held against what it can be on this plant: one that
    cannot be right, or that another order, scale or address would make usual, is suspect. Of a
    device that does not answer, a few other units are asked. A device profile in place of the site
    file is checked by itself, with the register image beside it.

    Exit status 0 only without any fault: 2 for mistakes in the site file, 1 when a device does not
    answer, a point is not good or suspect, a profile fails its register image, or a test message
    was not delivered. Devices are only read.

    Example:
      quietpipe check fenmoor.toml
      quietpipe check fenmoor.toml --no-devices
      quietpipe check generator-a.toml
      quietpipe check fenmoor.toml --notify

    """
    if _is_profile(options.site):
        profile = load_profile(options.site)
        print(f"{options.site}: {len(profile.points)} points: no mistakes")
        return 0 if _print_images({options.site.name: profile},
                                  {options.site.name: options.site}) else 1
    config = load_site(options.site)
    site = config.plant.site
    print(f"{options.site}: {site.id} ({site.name}), {len(config.plant.things())} things, "
          f"{len(config.devices)} devices: no mistakes")
    well = _print_images(config.profiles, config.profile_files)
    if config.devices and not options.no_devices:
        looks = asyncio.run(_look(config, _pause(options.pause)))
        well = _print_points(config, looks) and well
    _print_not_monitored(list(missing_here(SiteMonitor(
        plant=config.plant, settings=config.settings, step=config.step).not_monitored())))
    for line in rota_lines(config, SystemClock().now()):
        print(line)
    if options.notify:
        results = asyncio.run(send_test_messages(config, SystemClock().now()))
        well = _print_test_results(results) and well
    print()
    for text in CAUTIONS.values():
        print(text)
    return 0 if well else 1


def _pause(text: str) -> int:
    try:
        return round(convert(text, "duration"))
    except QuantityError as error:
        raise UsageError(f"--pause {text!r}: {error}") from error


def _is_profile(path: Path) -> bool:
    """Whether the file is a device profile by itself. A file that is no TOML is none."""
    try:
        data = tomllib.loads(read_text(path)[1])
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
        return False  # said with its place by the reader of site files
    return "site" not in data and ("profile" in data or "points" in data)


def _print_images(profiles: Mapping[str, Profile], files: Mapping[str, Path]) -> bool:
    """Test each profile that has a register image beside it; return whether all agree."""
    well = True
    for name, profile in sorted(profiles.items()):
        path = image_path(files[name])
        if not path.is_file():
            continue
        try:
            image = read_image(path)
        except SiteFileError as error:
            mistakes: Sequence[Mistake] = error.mistakes
        else:
            mistakes = image.test(profile)
        if not mistakes:
            print(f"{name}: its register image gives all {len(image.expected)} expected values")
        for mistake in mistakes:
            print(mistake)
            well = False
    return well


async def _look(config: SiteConfig, pause: int) -> list[FirstLook]:
    """Look at every device; those on one line one after the other."""
    clock = SystemClock()
    poller = Poller(config.devices, clock=clock, sink=lambda readings: None,
                    rng=random.Random(0))
    lines: dict[Address, list[DeviceSettings]] = {}
    for device in config.devices:
        lines.setdefault(device.address, []).append(device)

    async def line(devices: Sequence[DeviceSettings]) -> list[FirstLook]:
        return [await look_at(poller, d, config.plant, clock, pause=pause) for d in devices]
    try:
        found = await asyncio.gather(*(line(devices) for devices in lines.values()))
    finally:
        await poller.stop()
    order = [d.id for d in config.devices]
    return sorted((look for looks in found for look in looks),
                  key=lambda look: order.index(look.device))


def _print_points(config: SiteConfig, looks: Sequence[FirstLook]) -> bool:
    """Print a table of every point; return whether all are good and none is suspect."""
    rows = [("device", "point", "raw", "value", "age", "quality")]
    devices = {d.id: d for d in config.devices}
    bad = suspect = asked = 0
    for look in looks:
        doubts = {d.point: d for d in look.doubts}
        points = {name: p for p in devices[look.device].points for name in point_names(p)}
        readings, now = look.readings, max((r.time for r in look.readings), default=0)
        asked += len(readings)
        if readings and _is_silent(look):
            bad += len(readings)
            rows.append((look.device, f"{len(readings)} points", "-", "-", "-",
                         f"stale: {readings[0].why}"))
            continue
        for reading in readings:
            doubt, good = doubts.get(reading.point), reading.quality is Quality.GOOD
            trust = reading.quality.value + (f": {reading.why}" if reading.why else "")
            if doubt is not None:
                trust = f"suspect: {doubt.text}" if good else "; ".join((trust, *doubt.hints))
            suspect += good and doubt is not None
            bad += not good
            rows.append((look.device, reading.point, look.raw(points[reading.point]),
                         shown_value(reading, config.plant.site.units),
                         duration_text(now - reading.time), trust))
    widths = [max(len(row[n]) for row in rows) for n in range(len(rows[0]))]
    print()
    for row in rows:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
              .rstrip())
    for look in looks:
        _print_look(look, devices[look.device])
    print(f"\n{asked} points asked, {bad} not good, {suspect} suspect")
    return bad == 0 and suspect == 0


def _is_silent(look: FirstLook) -> bool:
    return all(r.quality is Quality.STALE for r in look.readings)


def _print_look(look: FirstLook, device: DeviceSettings) -> None:
    """Print the findings about the whole device."""
    if look.readings and _is_silent(look):
        print(f"\nno answer from: {look.device}, unit {device.unit}")
        if look.units:
            print("  but there answers unit " + ", ".join(str(u) for u in look.units))
        elif look.asked_units:
            print("  nor from unit " + ", ".join(str(u) for u in look.asked_units))
    if look.shift:
        way = "too low" if look.shift > 0 else "too high: some sheets count from 1, the wire from 0"
        print(f"\n{look.device}: every address may be {abs(look.shift)} {way}")
    if look.doubts:
        print(f"\n{look.device}: hold the suspect values against its display; name what is right "
              "for all that as trusted in the site file")


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
