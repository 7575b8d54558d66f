"""Scripted series and a plant to run them on: no simulator, every number said aloud."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace

from collector.app.monitor import SiteMonitor
from collector.clock import parse_instant
from collector.config import default_settings
from collector.domain.conditions import ConditionSettings
from collector.domain.events import AlarmTransition, EstimateMade, Event
from collector.domain.plant import Device, Generator, Plant, Riser, Room, Site, Vent
from collector.domain.readings import Quality, Reading

T0 = parse_instant("2026-03-01T00:00:00Z")
SECOND, MINUTE, HOUR, DAY = 1000, 60_000, 3_600_000, 86_400_000

Shape = float | None | Callable[[int], float | None]
"""A value, or what gives it from the ms since the series began; ``None``: no row at all."""


def plant(*, units: str = "us", devices: Mapping[str, tuple[int, tuple[str, ...]]] | None = None,
          generator: Generator | None = None, riser: Riser | None = None,
          vent: Vent | None = None) -> Plant:
    """Return one generator, one riser with a vent, one room; devices only where given."""
    gen = generator or Generator(id="gen1", name="Generator 1", cut_in=60.0, cut_out=80.0)
    dock = riser or Riser(id="r1", name="Dock riser", fed_by="gen1", low_pressure=18.0,
                          supervisory_pressure=25.0)
    far = vent or Vent(id="r1-vent", name="Dock vent", riser="r1", target_oxygen=2.0)
    return Plant(
        site=Site(id="fenmoor", name="Fenmoor Cold Store", timezone="Europe/London", units=units),
        generators={gen.id: gen}, risers={dock.id: dock}, vents={far.id: far},
        rooms={"plant-room": Room(id="plant-room", name="Plant room")},
        devices={
            name: Device(id=name, name=name.replace("-", " "), every=every, points=points)
            for name, (every, points) in (devices or {}).items()
        },
    )


def settings(**given: Mapping[str, object]) -> ConditionSettings:
    """Return the catalogue's defaults, with ``condition_id={setting: value}`` over them."""
    general = {name.replace("_", "-"): dict(values) for name, values in given.items()}
    return ConditionSettings(defaults=default_settings(), general=general)  # type: ignore[arg-type]


def series(shapes: Mapping[str, Shape], *, start: int = 0, end: int, every: int = 5 * SECOND,
           phase: int = 0) -> list[Reading]:
    """Return readings of every point from ``start`` to ``end`` (ms since T0), end excluded."""
    rows = []
    for at in range(start, end, every):
        for point, shape in shapes.items():
            value = shape(at) if callable(shape) else shape
            if value is not None:
                time = T0 + at + phase
                rows.append(Reading(point=point, asked=time, time=time, value=float(value)))
    return rows


def stale(readings: Iterable[Reading]) -> list[Reading]:
    """Return the same readings as asked for and not had."""
    return [replace(r, value=None, quality=Quality.STALE, why="no answer") for r in readings]


def between(start: int, end: int, inside: float = 1.0, outside: float = 0.0) -> Shape:
    """Return a value that holds from ``start`` to ``end`` only."""
    return lambda at: inside if start <= at < end else outside


@dataclass(slots=True)
class Story:
    """A watch and everything it said."""

    monitor: SiteMonitor
    events: list[Event]

    def feed(self, readings: Iterable[Reading]) -> Story:
        self.events += self.monitor.feed(list(readings))
        return self

    def advance(self, at: int) -> Story:
        """Move on to ``at`` ms since T0."""
        self.events += self.monitor.advance(T0 + at)
        return self

    def moves(self, condition: str, asset: str | None = None) -> list[tuple[str, int]]:
        """Return transitions of a condition as (what, ms since T0)."""
        return [
            (e.transition.value, e.time - T0) for e in self.alarms(condition)
            if asset is None or e.asset == asset
        ]

    def alarms(self, condition: str) -> list[AlarmTransition]:
        return [
            e for e in self.events if isinstance(e, AlarmTransition) and e.condition == condition
        ]

    def estimates(self, quantity: str) -> list[EstimateMade]:
        return [
            e for e in self.events if isinstance(e, EstimateMade) and e.quantity == quantity
        ]

    def reason(self, condition: str, asset: str) -> str:
        """Return why a condition is not watched; empty when it is."""
        found = [n.reason for n in self.monitor.not_monitored()
                 if (n.condition, n.asset) == (condition, asset)]
        return found[0] if found else ""


def story(the_plant: Plant | None = None, **given: Mapping[str, object]) -> Story:
    return Story(SiteMonitor(plant=the_plant or plant(), settings=settings(**given)), [])
