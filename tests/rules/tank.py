"""A tank on paper, and the bundled plant recorded in memory, for what is read off tank slopes."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from collector.domain.conditions import CATALOGUE
from collector.domain.plant import Generator, Plant, Riser, Room, Site, Vent
from collector.domain.readings import MODES, Reading
from simulators.scenario import Act, Scenario
from simulators.specs import GeneratorSpec, PlantSpec, RiserSpec, RoomSpec, VentSpec
from simulators.stage import Stage
from simulators.units import SCFM
from tests.rules.support import DAY, MINUTE, SECOND, T0, Story, story

GALLON = 3.785411784e-3
SCFH = SCFM / 60
RUN, TANK, MODE = "gen1.compressor_running", "gen1.tank_pressure", "gen1.mode"
P, OPEN = "r1.pressure", "r1-vent.open"

At = Callable[[int], float]


def monitor(plant: Plant, condition: str = "", **given: object) -> Story:
    """Return a watch that minds one condition (or none) and makes its estimates."""
    others = {name.replace("-", "_"): {"enabled": False} for name in CATALOGUE
              if name != condition}
    return story(plant, **others, **({condition.replace("-", "_"): given} if given else {}))


def site(*, tank: float | None = 60 * GALLON, pipe: float | None = 450 * GALLON,
         risers: int = 1, units: str = "us", rooms: bool = True) -> Plant:
    """Return a generator with as many risers and vents; volumes in m3, ``None`` for unknown."""
    return Plant(
        site=Site(id="fenmoor", name="Fenmoor Cold Store", timezone="UTC", units=units),
        generators={"gen1": Generator(id="gen1", name="Generator 1", tank_volume=tank, cut_in=60.0,
                                      cut_out=80.0, air_fill_below=55.0)},
        risers={f"r{i}": Riser(id=f"r{i}", name=f"Riser {i}", fed_by="gen1", volume=pipe,
                               supervisory_pressure=25.0, low_pressure=18.0)
                for i in range(1, risers + 1)},
        vents={f"r{i}-vent": Vent(id=f"r{i}-vent", name=f"Vent {i}", riser=f"r{i}",
                                  target_oxygen=2.0) for i in range(1, risers + 1)},
        rooms={"plant-room": Room(id="plant-room", name="Plant room")} if rooms else {},
    )


@dataclass(kw_only=True)
class Tank:
    """A tank that rises at ``delivery`` less ``demand`` and falls at ``demand`` (psi/min).

    ``heat`` is the share of a rise that dies away with ``tau`` s; ``noise`` in psi. The riser sags
    at ``sag`` psi/min until it takes a gulp of 0.4 psi, which costs the tank nothing here. The mode
    reads ``off`` between runs where ``off_at_rest``.
    """

    delivery: float | At = 3.2
    demand: float | At = 0.6
    heat: float = 0.0
    tau: float = 900.0
    noise: float = 0.0
    sag: float = 0.01
    steady_riser: bool = False
    off_at_rest: bool = False
    start: float = 75.0
    seed: int = 1
    every: int = 20 * SECOND
    extra: dict[str, float | At] = field(default_factory=dict)

    def readings(self, end: int, start: int = 0) -> Iterator[Reading]:
        """Yield readings from T0 to T0 + ``end`` (ms); those before ``start`` are left out."""
        dice, gas, warm, on, riser, gulp = random.Random(self.seed), self.start, 0.0, False, 25.0, 0
        dt = 2.0
        for at in range(0, end, int(dt * SECOND)):
            made = _at(self.delivery, at) / 60 * dt if on else 0.0
            gas += made - _at(self.demand, at) / 60 * dt
            warm += self.heat * made - warm * dt / self.tau
            on = gas + warm < 80.0 if on else gas + warm <= 60.0
            gulp = 60 if riser < 24.6 else gulp - 1 if gulp > 0 else 0
            riser += 0.4 / 45 if gulp > 15 else -self.sag / 60 * dt
            if at % self.every or at < start:
                continue
            values: dict[str, float] = {
                MODE: float(on or not self.off_at_rest), RUN: float(on),
                TANK: round(gas + warm + dice.gauss(0.0, self.noise), 2), OPEN: 0.0,
                P: 25.0 if self.steady_riser else round(riser + dice.gauss(0.0, 0.005), 3),
                **{point: _at(value, at) for point, value in self.extra.items()},
            }
            for point, value in values.items():
                if not math.isnan(value):
                    time = T0 + at
                    yield Reading(point=point, asked=time, time=time, value=value)


def _at(value: float | At, at: int) -> float:
    return value(at) if callable(value) else value


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What the plant itself did in a day: mol/s while it ran, mol/s drawn on the mean."""

    delivery: float
    demand: float


_READ = frozenset({"mode", "compressor_running", "tank_pressure", "pressure", "pipe_temperature",
                   "temperature", "open"})


def recorded(
    *, seed: int, days: int = 1, every: int = 10 * SECOND, risers: int = 1, leak: float = 0.1,
    vent: str = "closed", acts: tuple[Act, ...] = (),
) -> tuple[list[Reading], list[Truth]]:
    """Return the bundled plant's readings from T0, and what it did in each day; ``leak`` in scfm.

    Its equations (a device that sticks and droops, heat of compression, delivery that falls with
    pressure, a room with a day) are not those of the estimators.
    """
    spec = PlantSpec(
        seed=seed, start=T0, rooms=(RoomSpec(id="plant-room"),),
        generators=(GeneratorSpec(id="gen1", room="plant-room"),),
        risers=tuple(RiserSpec(id=f"r{i}", fed_by="gen1", leak=leak * SCFM)
                     for i in range(1, risers + 1)),
        vents=tuple(VentSpec(id=f"r{i}-vent", riser=f"r{i}", logic=vent)
                    for i in range(1, risers + 1)),
    )
    stage = Stage(Scenario(name="test", story="", speed=1, duration=0, plant=spec, acts=acts))
    points = [p for p in stage.gauges.points if p.rpartition(".")[2] in _READ]
    plant, books = stage.plant, stage.plant.totals
    unit = plant.generators["gen1"]

    def totals() -> tuple[float, float, float]:
        return (books.taken_in - books.rejected, unit.run_seconds, unit.nitrogen + unit.oxygen)

    rows: list[Reading] = []
    truths: list[Truth] = []
    before = totals()
    for at in range(T0, T0 + days * DAY + MINUTE, every):
        stage.advance_to(at)
        if at > T0 and (at - T0) % DAY == 0:
            now = totals()
            made, ran, gained = (a - b for a, b in zip(now, before, strict=True))
            before = now
            truths.append(Truth(delivery=made / ran, demand=(made - gained) / (DAY / 1000)))
        for point in points:
            value = stage.gauges.read(point)
            if isinstance(value, str):
                value = float({word: code for code, word in enumerate(_WORDS)}[value])
            if value is not None:
                rows.append(Reading(point=point, asked=at, time=at, value=value))
    return rows, truths


_WORDS = [MODES[code] for code in range(3)]
