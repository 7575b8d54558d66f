"""Drawn states of a site, and what the first screen of a phone must say of each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from collector.domain.actions import Window, WindowKind
from collector.domain.conditions import CATALOGUE, CAUTIONS
from collector.domain.live import AlarmState, LivePicture
from collector.domain.readings import Reading
from tests.web.fakes import HOUR, MINUTE, NOW, FakeSite, declared

LONG_RUN = (
    "Compressor running too long: Generator, dock end. Since 08:53:05 on Sunday 19 July 2026 "
    "(BST). The compressor has run for 17 min 12 s; the limit is 12 min for a refill in nitrogen "
    "mode (set in the site file). Check in this order: 1) a leak in the pipe or at the tank: "
    "listen, soap the joints; 2) a riser being filled without a declared fill, or a bypass left "
    "open; 3) a worn compressor or a clogged intake filter. "
    f"Caution: {CAUTIONS['compressor']}"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A state: how it comes about, and its state, subject, place and next action in words."""

    id: str
    draw: Callable[[FakeSite], object]
    says: tuple[str, ...]


def well(site: FakeSite) -> None:
    """All points read well, no alarm."""
    site.alarms.clear()
    values = {"r1-vent.oxygen": 1.6, "r2-vent.oxygen": 1.5, "r2.valve_room_temperature": 6.0}
    site.picture.update(Reading(point=p, asked=NOW, time=NOW, value=values.get(p, 1.0))
                        for device in site.plant.devices.values() for p in device.points)


def _one_alarm(site: FakeSite) -> None:
    first = replace(site.alarms[1], text=LONG_RUN)
    well(site)
    site.alarms[:] = [first]


def _many(site: FakeSite) -> None:
    _one_alarm(site)
    first = site.alarms[0]
    for n, name in enumerate(("leak-high", "pressure-low", "oxygen-rising", "low-temperature"), 1):
        about = CATALOGUE[name]
        for asset in ("r1", "r2", "r3"):
            site.alarms.append(replace(
                first, id=f"{name}.{asset}.{n}", condition=name, asset=asset, values={},
                since=NOW - n * MINUTE, priority=about.priority, signal=about.signal,
                text=f"{about.title}: {site.plant.name_of(asset)}. It is so.",
            ))


def window(site: FakeSite, kind: WindowKind, asset: str, why: str) -> None:
    """Put a window in force that suppresses ten alarms, two of them present."""
    conditions = [c for c in CATALOGUE.values() if c.applies_to == "generator"][:10] \
        if kind is WindowKind.VISIT else \
        [c for c in CATALOGUE.values() if c.applies_to == "riser"][:10]
    site.windows.append(Window(
        kind=kind, asset=asset, since=NOW - HOUR, until=NOW + 4 * HOUR, by="R. Okafor", why=why,
        inhibits=tuple(f"{c.id}.{asset}" for c in conditions)))
    state = AlarmState.OUT_OF_SERVICE if kind is WindowKind.VISIT else AlarmState.SUPPRESSED
    base = FakeSite().alarms[1]
    site.alarms += [
        replace(base, id=f"{c.id}.{asset}.7", condition=c.id, asset=asset, state=state,
                present=n < 2, by="R. Okafor", why=f"{kind.value}: {why}", until=NOW + 4 * HOUR,
                text=f"Suppressed: {c.title}.", values={})
        for n, c in enumerate(conditions)
    ]


def _impaired(site: FakeSite) -> None:
    well(site)
    window(site, WindowKind.IMPAIRMENT, "r1", "branch line renewed")


def _visit(site: FakeSite) -> None:
    well(site)
    window(site, WindowKind.VISIT, "gen1", "yearly service")


def _silent(site: FakeSite) -> None:
    silent = replace(site.alarms[2], state=AlarmState.UNACKNOWLEDGED, by="", text=(
        "Device not responding: Controller of the freezer generator. It has not answered for 14 "
        "min. Check in this order: 1) power to the device; 2) the cable, its plug, or the network."
    ))
    well(site)
    site.alarms[:] = [silent]


def _purge(site: FakeSite) -> None:
    well(site)
    site.picture.update([Reading(point="r2-vent.oxygen", asked=NOW, time=NOW, value=7.3)])


def _no_data(site: FakeSite) -> None:
    site.alarms.clear()
    site.events.clear()
    vars(site.picture).update(vars(LivePicture()))


def _collector(site: FakeSite) -> None:
    well(site)
    site.statistics = replace(site.statistics, journal_trouble="no space left on the disk")


def _all_at_once(site: FakeSite) -> None:
    _impaired(site)
    window(site, WindowKind.VISIT, "gen1", "yearly service")
    site.fills.append(declared("r3"))


STATES = (
    Drawn(id="all-well", draw=well,
          says=("No active alarms", "Fenmoor Cold Store", "Nothing to do")),
    Drawn(id="high-alarm", draw=_one_alarm, says=(
        "Compressor running too long", "Generator, dock end, since 08:53", "High trouble",
        "Run: 17 min 12 s, limit 12 min", "Acknowledge", "Check first: a leak in the pipe")),
    Drawn(id="impaired", draw=_impaired, says=(
        "Impaired until 13:10", "Dock riser", "branch line renewed", "7 alarms suppressed",
        "End it when the work is done")),
    Drawn(id="visit", draw=_visit, says=(
        "Planned visit until 13:10", "Generator, dock end", "yearly service",
        "End it when the work is done")),
    Drawn(id="silent-device", draw=_silent, says=(
        "Device not responding", "Controller of the freezer generator", "Acknowledge",
        "Check first: power to the device")),
    Drawn(id="purge", draw=_purge, says=(
        "No active alarms", "Purge under way at Freezer vent: 7.3 % oxygen, target 2 %",
        "Nothing to do; the purge goes on by itself")),
    Drawn(id="many-alarms", draw=_many, says=(
        "and 12 more", "13 not acknowledged", "Acknowledge", "Check first")),
    Drawn(id="no-data", draw=_no_data, says=(
        "No data yet", "Fenmoor Cold Store", "Check power and network of the devices")),
    Drawn(id="collector", draw=_collector, says=(
        "This page cannot be trusted now", "the journal cannot write: no space left on the disk",
        "Look at the plant itself", "See what ails the collector")),
    Drawn(id="all-declared", draw=_all_at_once, says=(
        "Impaired until 13:10", "Dock riser", "Planned visit to Generator, dock end until 13:10",
        "System fill of Office riser until 13:10", "End it when the work is done")),
)
"""The tenth, a hub of fifty sites, is drawn in the test: a hub has no FakeSite."""
