"""Readings on paper for the judges: a plant, series of samples, a look at them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from collector.acceptance.step_readings import StepReadings
from collector.acceptance.steps import Size, Step, plan
from collector.domain.plant import Device, Generator, Plant, Riser, Site, Vent
from collector.domain.readings import Quality, Reading

T0 = 1_772_323_200_000
GALLON = 3.785411784e-3
POINTS = (
    "gen1.tank_pressure", "gen1.compressor_running", "gen1.mode", "gen1.product_oxygen",
    "gen1.trouble", "gen1.trouble_no", "gen1.trouble_nc", "r1.pressure", "r1.pipe_temperature",
    "r1.low_air", "r2.pressure", "v1.oxygen", "v1.open",
)


def a_plant(*, points: Sequence[str] = POINTS, every: int = 5000) -> Plant:
    return Plant(
        site=Site(id="works", name="The works", timezone="Europe/London"),
        generators={"gen1": Generator(
            id="gen1", name="Generator 1", tank_volume=60 * GALLON, cut_in=60.0, cut_out=80.0,
            product_oxygen_limit=3.0)},
        risers={r: Riser(id=r, name=f"Riser {r}", fed_by="gen1", volume=450 * GALLON,
                         supervisory_pressure=40.0, low_pressure=30.0) for r in ("r1", "r2")},
        vents={"v1": Vent(id="v1", name="Vent", riser="r1", target_oxygen=2.0)},
        devices={"d": Device(id="d", name="d", every=every, points=tuple(points))},
    )


def step_of(step_id: str, plant: Plant | None = None, size: Size = Size.SMALL) -> Step:
    return next(s for s in plan(plant or a_plant(), size) if s.id == step_id)


def series(point: str, value: Callable[[float], float | None], seconds: Iterable[float],
           ) -> list[Reading]:
    """A reading of ``value(s)`` at each of the seconds since T0; None is asked for and not had."""
    found = []
    for s in seconds:
        v, at = value(s), T0 + round(s * 1000)
        found.append(Reading(
            point=point, asked=at, time=at, value=v,
            quality=Quality.GOOD if v is not None else Quality.STALE,
            why="" if v is not None else "no answer in time"))
    return found


def look(*rows: list[Reading], now: float | None = None, jumps: Sequence[int] = (),
         gap: float = 30, typed: dict[str, str] | None = None, began: float = 0) -> StepReadings:
    numbers = {r[0].point: [(one.time, one.usable) for one in r] for r in rows if r}
    whys = {r[0].point: next((one.why for one in reversed(r) if one.usable is None), "")
            for r in rows if r}
    last = max((r[-1].time for r in rows if r), default=T0)
    return StepReadings(plant=a_plant(), began=T0 + round(began * 1000),
                now=last if now is None else T0 + round(now * 1000),
                longest_gap=round(gap * 1000), numbers=numbers, whys=whys, jumps=jumps,
                typed=typed or {})
