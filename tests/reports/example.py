"""A site with a history whose numbers are known: cheap to write, whole enough to report on."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.domain.events import (
    AlarmTransition,
    EstimateMade,
    Event,
    Priority,
    Signal,
    SystemEvent,
    Transition,
)
from collector.domain.readings import Reading
from collector.journal import Journal

LONDON = ZoneInfo("Europe/London")
MIN, HOUR, DAY = 60_000, 3_600_000, 86_400_000

HEAD = """\
[site]
id = "fenmoor"
name = "Fenmoor Cold Store"
timezone = "Europe/London"
units = "us"
data = "var"

[[generators]]
id = "gen1"
name = "Nitrogen generator"
tank_volume = "60 gal"
cut_in = "60 psi"
cut_out = "80 psi"
product_oxygen_limit = "3 %"
compressor_power = "2.2 kW"
energy_price = "0.24 GBP/kWh"
service_every = "2000 h"
last_service_hours = "0 h"

[[rooms]]
id = "plant-room"
name = "Plant room"
"""

RISER = """
[[risers]]
id = "r{n}"
name = "{name}"
fed_by = "gen1"
volume = "450 gal"
supervisory_pressure = "25 psi"
low_pressure = "18 psi"
high_pressure = "40 psi"

[[vents]]
id = "r{n}-vent"
name = "{name} vent"
riser = "r{n}"
target_oxygen = "2 %"
"""

NAMES = ("Dock riser", "Freezer riser", "Office riser", "Loading hall riser")


def at(text: str) -> int:
    """An instant (ms) by London's clock."""
    return int(datetime.fromisoformat(text).replace(tzinfo=LONDON).timestamp()) * 1000


def site_file(folder: Path, risers: int = 2) -> Path:
    """Write a site file without devices; any point may then have readings."""
    path = folder / "site.toml"
    path.write_text(HEAD + "".join(RISER.format(n=n + 1, name=NAMES[n]) for n in range(risers)))
    (folder / "var").mkdir(exist_ok=True)
    return path


def values(
    time: int, start: int, risers: int, *, wide: bool = False,
) -> Iterator[tuple[str, float]]:
    """What each point reads. Pressures swing with the day; oxygen falls to its target in weeks."""
    days = (time - start) / DAY
    swing = math.sin(2 * math.pi * days)
    yield "gen1.tank_pressure", round(70 + 9 * math.sin(days * 40), 1)
    yield "gen1.compressor_running", float(math.sin(days * 40) > 0.8)
    yield "gen1.mode", 1.0
    yield "gen1.product_oxygen", round(1.6 + 0.2 * swing, 1)
    yield "gen1.running_hours", round(1200 + days * 1.5, 1)
    yield "gen1.trouble", 0.0
    yield "plant-room.oxygen", round(20.9 + 0.1 * swing, 1)
    yield "plant-room.temperature", round(18 + 3 * swing, 1)
    for n in range(1, risers + 1):
        yield f"r{n}.pressure", round(25 + n + 1.5 * swing, 1)
        yield f"r{n}.pipe_temperature", round(-18.0 + swing, 1)
        yield f"r{n}.valve_room_temperature", round(9 + 4 * math.cos(days / 58), 1)
        yield f"r{n}-vent.oxygen", round(2 + 18.9 * math.exp(-days / 12) + 0.05 * swing, 1)
        yield f"r{n}-vent.open", float(days < 30)
        if wide:
            for extra in ("low_air", "high_air", "bypass_open"):
                yield f"r{n}.{extra}", 0.0
            yield f"r{n}-vent.water", 0.0
    if wide:
        for extra, value in (("dew_point", -40.0), ("cabinet_temperature", 24.0),
                             ("start_count", round(days * 12)), ("power", 1.0)):
            yield f"gen1.{extra}", float(value)


def moved(time: int, what: Transition, condition: str = "pressure-low", asset: str = "r1",
          priority: Priority = Priority.HIGH, signal: Signal = Signal.SUPERVISORY,
          **more: object) -> AlarmTransition:
    return AlarmTransition(time=time, site="fenmoor", condition=condition, asset=asset,
                           transition=what,
                      priority=priority, signal=signal, since=time, text="told",
                      id=f"{condition}.{asset}.{time // 1000}", **more)  # type: ignore[arg-type]


def estimate(quantity: str, asset: str, end: int, value: float, unit: str,
             days: float = 1.0, spread: float = 0.1) -> EstimateMade:
    return EstimateMade(
        time=end, site="fenmoor", quantity=quantity, asset=asset, value=value,
        low=value * (1 - spread), high=value * (1 + spread), unit=unit,
        window=(end - round(days * DAY), end))


def daily(start: int, days: int, risers: int) -> Iterator[Event]:
    """The estimates of each day: the leak of r1 doubles, 3.0 kWh a day, duty 6 %."""
    for day in range(1, days + 1):
        end = start + day * DAY
        growth = 1 + day / days
        yield estimate("nitrogen-demand", "gen1", end, 4.0, "scfh")
        yield estimate("compressor-delivery", "gen1", end, 90.0 - 4 * day / days, "scfh",
                       spread=0.03)
        yield estimate("compressor-duty", "gen1", end, 6.0, "%")
        yield estimate("energy", "gen1", end, 3.0, "kWh", spread=0.02)
        yield estimate("energy-cost", "gen1", end, 0.72, "GBP", spread=0.02)
        yield estimate("hours-to-service", "gen1", end, 800.0 - 1.5 * day, "h")
        for n in range(1, risers + 1):
            rate = 0.5 * (growth if n == 1 else 1.0)
            yield estimate("leak-rate", f"r{n}", end, rate, "scfh")
            yield estimate("leak-equivalent", f"r{n}", end, 3 * rate, "psi in 24 h")
            yield estimate("oxygen-exposure", f"r{n}", end, 0.5, "% d")


def alarms(start: int, days: int) -> Iterator[Event]:
    """A low pressure every ninth day, answered in 6 min and gone in 2 h; one that still stands."""
    for day in range(3, days, 9):
        t = start + day * DAY + 2 * HOUR
        yield moved(t, Transition.RAISED)
        yield moved(t + 6 * MIN, Transition.ACKNOWLEDGED, by="ann")
        yield moved(t + 2 * HOUR, Transition.RETURNED)
    last = start + (days - 1) * DAY
    yield moved(last, Transition.RAISED, "leak-high", "r1", Priority.MEDIUM, Signal.SERVICE)


def fill(journal: Journal, start: int, days: int, *, every: int = 10 * MIN, risers: int = 2,
         gap: tuple[int, int] = (0, 0), wide: bool = False) -> None:
    """Write ``days`` of readings and events from ``start``; none between the ends of ``gap``."""
    pending: list[Reading] = []
    for time in range(start, start + days * DAY, every):
        if not gap[0] <= time < gap[1]:
            pending.extend(Reading(point=p, asked=time, time=time, value=v)
                           for p, v in values(time, start, risers, wide=wide))
        if len(pending) > 20_000:
            journal.commit(pending, [])
            pending = []
    events: list[Event] = [*daily(start, days, risers), *alarms(start, days), SystemEvent(
        time=start, site="fenmoor", fact="collector-started", text="The watch began.")]
    journal.commit(pending, sorted(events, key=lambda e: e.time))
