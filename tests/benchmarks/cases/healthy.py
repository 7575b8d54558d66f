"""Plants with nothing wrong: whatever is raised here is false.

Seasons are drawn by the start; gauges drift, polls get lost, weather is weather.
"""

from __future__ import annotations

from tests.benchmarks.cases.build import generator, hours, plant, riser, room, vent
from tests.benchmarks.cases.shape import DAY, MINUTE, SECOND, Case, Dev, Draw, Measure, Wire, story

SEASONS = ("2026-01-12T00:00:00Z", "2026-04-13T00:00:00Z", "2026-07-13T00:00:00Z",
           "2026-10-12T00:00:00Z")
GENERATOR = ("compressor-duty", "nitrogen-demand", "compressor-delivery", "pump-up-time")


def _measures(generators: tuple[str, ...], risers: tuple[str, ...]) -> tuple[Measure, ...]:
    made = [Measure(quantity=q, asset=g, start=DAY) for g in generators for q in GENERATOR]
    made += [Measure(quantity=q, asset=r, start=DAY) for r in risers
             for q in ("leak-rate", "leak-equivalent")]
    return tuple(made)


def _depot(d: Draw) -> dict[str, dict[str, object]]:
    return plant(
        generators=[generator(room="plant-room", tank_start=f"{d.between(64, 78):.1f} psi",
                              product_oxygen=f"{d.between(0.5, 1.6):.2f} %",
                              site={"product_oxygen_limit": "3 %"})],
        risers=[riser(volume=f"{d.about(450):.0f} gal", leak=f"{d.between(0.02, 0.05):.3f} scfm",
                      daily_swing=f"{d.between(2, 6):.1f} K")],
        vents=[vent()], rooms=[room()], altitude="40 m", atmosphere="1008 mbar", quiet_step="30 s")


def _paced(every: int, slow: int) -> tuple[Dev, ...]:
    return (Dev(id="gen1-controller", registers="generator-b", watches=("gen1", "r1"), every=every),
            Dev(id="vents", registers="vent-v", watches=("r1-vent",), every=slow),
            Dev(id="room-monitor", registers="room-r", watches=("plant-room",), every=slow))


@story(healthy=True, most=4)
def quiet_day_by_the_second(d: Draw) -> Case:
    """A bus depot polled every second, for six hours."""
    return Case(**_depot(d), devices=_paced(SECOND, 5 * SECOND), duration=hours(6),
                start=d.choice(*SEASONS))


@story(healthy=True, most=2)
def quiet_days_with_a_bad_road(d: Draw) -> Case:
    """Four days of the depot over a network that loses 5 % and repeats, delays and swaps
    the rest."""
    return Case(
        **_depot(d), devices=_paced(10 * SECOND, 30 * SECOND), duration=4 * DAY,
        start=d.choice(*SEASONS),
        wire=Wire(lost=0.03, holes=0.02, repeated=0.02, late=0.01, swapped=0.05))


@story(healthy=True, long=True, most=2)
def quiet_month(d: Draw) -> Case:
    """A month of the depot at one reading a minute, in a season of the year."""
    return Case(
        **_depot(d), devices=_paced(60 * SECOND, 5 * MINUTE), duration=30 * DAY,
        start=d.choice(*SEASONS), wire=Wire(lost=0.005),
        measures=_measures(("gen1",), ("r1",)))


@story(healthy=True, long=True, most=2)
def quiet_year(d: Draw) -> Case:
    """A whole year of the depot at one reading a minute."""
    case = _depot(d)
    case["tables"]["plant"]["quiet_step"] = "60 s"
    return Case(
        **case, devices=_paced(60 * SECOND, 10 * MINUTE), duration=365 * DAY,
        start="2026-01-05T00:00:00Z", wire=Wire(lost=0.003),
        measures=_measures(("gen1",), ("r1",)))


@story(healthy=True, long=True, most=2)
def quiet_works_of_eight_risers(d: Draw) -> Case:
    """A works in Bavaria: two big units, eight risers of 0.4 to 3 m3, metric, ten days."""
    volumes = [d.between(0.4, 3.0) for _ in range(8)]
    risers = [riser(f"r{n + 1}", fed_by="gen1" if n < 5 else "gen2", volume=f"{v:.2f} m3",
                    supervisory_pressure="1.7 bar", low_pressure="1.2 bar",
                    high_pressure="2.8 bar", supply="20 scfm",
                    leak=f"{v * d.between(0.008, 0.018):.4f} scfm",
                    temperature=f"{d.between(281, 293):.1f} K")
              for n, v in enumerate(volumes)]
    big = {"tank_volume": "900 l", "cut_in": "5.5 bar", "cut_out": "7 bar",
           "air_fill_below": "4.8 bar", "air_fill_return": "6.3 bar", "tank_start": "6.4 bar",
           "intake": "22 scfm"}
    devices = (
        Dev(id="gen1-controller", registers="generator-a", watches=("gen1", "r1", "r2", "r3"),
            every=60 * SECOND),
        Dev(id="more-risers", registers="transmitters-t", watches=("r4", "r5"), every=60 * SECOND),
        Dev(id="gen2-controller", registers="generator-b", watches=("gen2", "r6", "r7"),
            every=60 * SECOND),
        Dev(id="last-riser", registers="transmitters-t", watches=("r8",), every=60 * SECOND),
        Dev(id="switches", registers="switches-s", watches=("r1", "r2", "r3", "r4"),
            every=60 * SECOND))
    return Case(
        **plant(generators=[generator("gen1", **big), generator("gen2", **big)], risers=risers,
                units="metric", timezone="Europe/Berlin", altitude="520 m",
                atmosphere="952 mbar", quiet_step="20 s"),
        devices=devices, duration=10 * DAY, start=d.choice(*SEASONS), wire=Wire(lost=0.01),
        measures=_measures(("gen1", "gen2"), ("r1", "r6", "r8")))


@story(healthy=True, long=True, most=2)
def quiet_freezer(d: Draw) -> Case:
    """Three weeks of a cold store: one riser at -22 degrees, one in the dock, one small unit."""
    return Case(
        **plant(
            generators=[generator(room="plant-room")],
            risers=[riser("r1", volume="160 gal", temperature="251 K", daily_swing="1 K",
                          season_swing="0 K", weather_swing="0.5 K",
                          leak=f"{d.between(0.01, 0.018):.4f} scfm"),
                    riser("r2", volume=f"{d.about(450):.0f} gal", daily_swing="7 K",
                          leak=f"{d.between(0.02, 0.045):.3f} scfm")],
            vents=[vent("r1-vent"), vent("r2-vent", riser="r2")], rooms=[room()],
            atmosphere="1008 mbar", altitude="40 m", quiet_step="20 s"),
        devices=(
            Dev(id="gen1-controller", registers="generator-b", watches=("gen1", "r1", "r2"),
                every=60 * SECOND),
            Dev(id="vents", registers="vent-v", watches=("r1-vent", "r2-vent"), every=2 * MINUTE),
            Dev(id="room-monitor", registers="room-r", watches=("plant-room",),
                every=5 * MINUTE)),
        duration=21 * DAY, start=d.choice(*SEASONS), wire=Wire(lost=0.01),
        measures=_measures(("gen1",), ("r1", "r2")))


@story(healthy=True, long=True, most=2)
def quiet_contacts(d: Draw) -> Case:
    """A week of a site that has nothing but dry contacts."""
    return Case(
        **plant(generators=[generator(room="plant-room")],
                risers=[riser("r1", leak=f"{d.between(0.02, 0.05):.3f} scfm"),
                        riser("r2", leak="0.03 scfm")], rooms=[room()], quiet_step="60 s"),
        devices=(Dev(id="remote-io", registers="contacts-k", watches=("gen1", "r1", "r2"),
                     every=20 * SECOND),),
        duration=7 * DAY, start=d.choice(*SEASONS), wire=Wire(lost=0.01),
        measures=(Measure(quantity="compressor-duty", asset="gen1", start=DAY),))
