"""The bundled plant as a source of leak stories: specs on one side, the watched plant on the other.

What is true is taken from the plant's books, not from what it was told to leak.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field

from collector.domain.conditions import CATALOGUE
from collector.domain.plant import Generator, Plant, Riser, Site, Vent
from collector.domain.readings import Reading, mode_code
from simulators.record import rows
from simulators.scenario import Act, Scenario
from simulators.specs import GeneratorSpec, PlantSpec, RiserSpec, VentSpec
from simulators.stage import Stage
from simulators.units import SCFM
from tests.rules.support import DAY, HOUR, SECOND, T0, Story, story

GALLON = 3.785411784e-3
PER_PSI = 6894.757293168 / (8.314462618 * 288.15)
"""mol in 1 m3 for each psi at 15 degC."""


@dataclass(frozen=True, kw_only=True)
class Leaky:
    """One riser: leak in scfm at its pressure, volume in gallons."""

    leak: float
    gallons: float = 450.0
    extra: dict[str, float] = field(default_factory=dict)


def watched(risers: Sequence[Leaky], vents: Sequence[VentSpec] = (), units: str = "us") -> Plant:
    """Return the plant as its site file would describe it."""
    return Plant(
        site=Site(id="hall", name="Hall", timezone="UTC", units=units),
        generators={"gen1": Generator(id="gen1", name="Generator 1", tank_volume=60 * GALLON,
                                      cut_in=60.0, cut_out=80.0)},
        risers={f"r{i}": Riser(id=f"r{i}", name=f"Riser {i}", fed_by="gen1",
                               volume=r.gallons * GALLON, supervisory_pressure=25.0,
                               low_pressure=18.0, high_pressure=40.0)
                for i, r in enumerate(risers, 1)},
        vents={v.id: Vent(id=v.id, name=v.id, riser=v.riser, target_oxygen=2.0, flow=v.flow)
               for v in vents},
    )


def recorded(
    risers: Sequence[Leaky], *, days: float, every: int = 30, seed: int = 1,
    acts: Sequence[Act] = (), vents: Sequence[VentSpec] = (), without: Collection[str] = (),
    keep: Collection[str] = ("pressure", "pipe_temperature", "tank_pressure",
                             "compressor_running", "mode", "open", "oxygen"),
) -> list[Reading]:
    """Return readings of the bundled plant; ``keep`` are quantities, ``without`` points."""
    spec = PlantSpec(
        seed=seed, start=T0, generators=(GeneratorSpec(id="gen1"),), vents=tuple(vents),
        risers=tuple(RiserSpec(id=f"r{i}", fed_by="gen1", leak=r.leak * SCFM,
                               volume=r.gallons * GALLON, **r.extra)
                     for i, r in enumerate(risers, 1)),
    )
    stage = Stage(Scenario(name="leak", story="", speed=1, duration=0, plant=spec,
                           acts=tuple(acts)))
    found = []
    for time, point, value in rows(stage, int(days * DAY), every * SECOND):
        if value is None or point in without or point.split(".")[1] not in keep:
            continue
        number = mode_code(value) if isinstance(value, str) else float(value)
        found.append(Reading(point=point, asked=time, time=time, value=number))
    return found


def true_psi_per_day(leaky: Leaky, gauge: float = 24.8) -> float:
    """Return what a riser loses by the simulator's law: in proportion to absolute pressure.

    ``gauge`` is where it stands on average; the leak is stated at 25 psi.
    """
    flow = leaky.leak * SCFM * (gauge + 14.696) / (25 + 14.696)
    return flow * 86400 / (leaky.gallons * GALLON * PER_PSI)


def leak_step(riser: str, scfm: float, at: float) -> Act:
    """Return the order that adds a leak ``at`` days after the start."""
    return Act(at=int(at * DAY), fault="leak-step", on=True,
               params={"riser": riser, "flow": f"{scfm} scfm"})


def leak_growth(riser: str, scfm_per_day: float, at: float) -> Act:
    """Return the order that lets a leak grow from ``at`` days on."""
    return Act(at=int(at * DAY), fault="leak-growth", on=True,
               params={"riser": riser, "per_day": f"{scfm_per_day} scfm"})


def told(readings: Sequence[Reading], plant: Plant, **given: object) -> Story:
    """Return what the watch says of the readings; conditions other than leaks are switched off."""
    off = {c.replace("-", "_"): {"enabled": False} for c in CATALOGUE if not c.startswith("leak-")}
    return story(plant, **(off | given)).feed(readings)  # type: ignore[arg-type]


def hours(at: int) -> float:
    """Return ms since T0 in hours."""
    return at / HOUR
