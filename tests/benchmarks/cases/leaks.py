"""Stories of gas that goes where it should not, fast or slowly, and of gas that has a right to go.

The limit by default is NFPA 25's in-service test scaled to the riser: about 0.074 scfm for 450 gal
at 25 psi. Severities are told beside it.
"""

from __future__ import annotations

from tests.benchmarks.cases.build import act, generator, hours, plant, riser, room, vent
from tests.benchmarks.cases.shape import (
    DAY,
    MINUTE,
    SECOND,
    Case,
    Dev,
    Draw,
    Expect,
    May,
    Measure,
    Never,
    Wire,
    story,
)

CONTROLLER = Dev(id="gen1-controller", registers="generator-b", watches=("gen1", "r1"),
                 every=45 * SECOND)
SLOW = Dev(id="gen1-controller", registers="generator-b", watches=("gen1", "r1"),
           every=60 * SECOND)
SEASONS = ("2026-01-12T00:00:00Z", "2026-04-13T00:00:00Z", "2026-07-13T00:00:00Z",
           "2026-10-12T00:00:00Z")
_LEAK = ("leak-rate", "leak-equivalent")


def _small(d: Draw, leak: float, units: str = "us", **over: object) -> dict[str, dict[str, object]]:
    return plant(
        generators=[generator(room="plant-room", tank_start=f"{d.between(64, 78):.1f} psi")],
        risers=[riser(volume=f"{d.about(450, 0.1):.0f} gal", leak=f"{leak:.4f} scfm",
                      daily_swing=f"{d.between(2, 6):.1f} K", **over)],
        rooms=[room()], units=units, altitude="40 m", atmosphere="1008 mbar", quiet_step="45 s")


def _leak_measures(*risers: str, start: int = DAY, end: int | None = None) -> tuple[Measure, ...]:
    return tuple(Measure(quantity=q, asset=r, start=start, end=end) for r in risers for q in _LEAK)


@story()
def leak_above_its_limit(d: Draw) -> Case:
    """From one moment on the riser leaks three times its limit: 0.2 to 0.3 scfm more."""
    at = d.instant(DAY, 1.5 * DAY)
    return Case(
        **_small(d, d.about(0.035), d.choice("us", "metric")), devices=(CONTROLLER,),
        duration=4 * DAY, start=d.choice(*SEASONS), wire=Wire(lost=0.02),
        acts=(act(at, "leak-step", riser="r1", flow=f"{d.between(0.2, 0.3):.3f} scfm"),),
        expects=(Expect(condition="leak-high", asset="r1", at=at, within=DAY, slow=True,
                        says=("leak",)),),
        may=(May(condition="leak-growing", start=at),),
        measures=_leak_measures("r1", start=at + DAY + 3_600_000),
        never=(Never(condition="tank-leak", trap="demand by a riser"),
               Never(condition="compressor-weak"), Never(condition="pressure-low")))


@story()
def one_riser_of_three_leaks(d: Draw) -> Case:
    """Three risers on one unit; the middle one leaks four times what it may."""
    at = d.instant(DAY, 1.5 * DAY)
    risers = [riser(f"r{n}", volume=f"{d.about(v, 0.1):.0f} gal", leak=f"{v * 8e-5:.4f} scfm",
                    temperature=f"{d.between(283, 293):.0f} K")
              for n, v in ((1, 450), (2, 300), (3, 650))]
    device = Dev(id="gen1-controller", registers="generator-a",
                 watches=("gen1", "r1", "r2", "r3"), every=60 * SECOND)
    return Case(
        **plant(generators=[generator()], risers=risers, quiet_step="20 s"), devices=(device,),
        duration=3 * DAY, start=d.choice(*SEASONS),
        acts=(act(at, "leak-step", riser="r2", flow=f"{d.between(0.2, 0.25):.3f} scfm"),),
        expects=(Expect(condition="leak-high", asset="r2", at=at, within=DAY, slow=True),),
        may=(May(condition="leak-growing", asset="r2", start=at),),
        measures=_leak_measures("r1", "r2", "r3", start=at + DAY + 3_600_000),
        never=(Never(condition="leak-high", asset="r1", trap="the neighbour's leak"),
               Never(condition="leak-high", asset="r3", trap="the neighbour's leak")))


@story(long=True)
def leak_doubles(d: Draw) -> Case:
    """A leak of 0.03 scfm, inside its limit, doubles from one hour to the next after a week."""
    leak = d.about(0.03)
    at = d.instant(7 * DAY, 8 * DAY)
    return Case(
        **_small(d, leak), devices=(SLOW,), duration=hours(252), start=d.choice(*SEASONS),
        wire=Wire(lost=0.01), acts=(act(at, "leak-step", riser="r1", flow=f"{leak:.4f} scfm"),),
        expects=(Expect(condition="leak-growing", asset="r1", at=at, within=2 * DAY, slow=True),),
        may=(May(condition="leak-high", start=at),),
        measures=_leak_measures("r1", start=2 * DAY, end=at))


@story(long=True, most=10)
def leak_grows(d: Draw) -> Case:
    """A leak of 0.03 scfm grows by 5 % of that a day from the eighth day on."""
    leak = d.about(0.03)
    at = d.instant(7 * DAY, 8 * DAY)
    return Case(
        **_small(d, leak), devices=(SLOW,), duration=19 * DAY, start=d.choice(*SEASONS),
        wire=Wire(lost=0.01),
        acts=(act(at, "leak-growth", riser="r1", per_day=f"{0.05 * leak:.5f} scfm"),),
        expects=(Expect(condition="leak-growing", asset="r1", at=at, within=10 * DAY, slow=True),),
        may=(May(condition="leak-high", start=at),), measures=_leak_measures("r1", start=2 * DAY))


@story(healthy=True, long=True, most=2)
def season_and_daily_swing(d: Draw) -> Case:
    """Six weeks of spring or autumn in an unheated hall: the pipe warms or cools, the leak does not
    grow."""
    return Case(
        **_small(d, d.about(0.035), season_swing="11 K", weather_swing="3 K"), devices=(SLOW,),
        duration=42 * DAY, start=d.choice("2026-03-02T00:00:00Z", "2026-09-07T00:00:00Z"),
        wire=Wire(lost=0.01), measures=_leak_measures("r1", start=2 * DAY),
        never=(Never(condition="leak-growing", trap="season and daily swing"),
               Never(condition="leak-high", trap="season and daily swing")))


@story()
def tank_leaks(d: Draw) -> Case:
    """The riser is tight and satisfied, and the tank loses 0.12 to 0.2 scfm through its drain."""
    at = d.instant(18 * 60 * MINUTE, 30 * 60 * MINUTE)
    return Case(
        **_small(d, 0.02), devices=(CONTROLLER,), duration=3 * DAY, wire=Wire(lost=0.02),
        acts=(act(at, "tank-leak", generator="gen1", flow=f"{d.between(0.12, 0.2):.3f} scfm"),),
        expects=(Expect(condition="tank-leak", asset="gen1", at=at, within=DAY, slow=True),),
        never=(Never(condition="leak-high", trap="the tank leaks, not the riser"),
               Never(condition="leak-growing", trap="the tank leaks, not the riser"),
               Never(condition="compressor-weak")))


@story()
def demand_is_no_tank_leak(d: Draw) -> Case:
    """Two risers draw from a sound tank a few times an hour, 0.15 scfm each."""
    risers = [riser("r1", leak=f"{d.about(0.15):.3f} scfm"),
              riser("r2", leak=f"{d.about(0.15):.3f} scfm", volume="300 gal")]
    device = Dev(id="gen1-controller", registers="generator-b", watches=("gen1", "r1", "r2"),
                 every=60 * SECOND)
    return Case(
        **plant(generators=[generator()], risers=risers, quiet_step="30 s"), devices=(device,),
        duration=hours(60), may=(May(condition="leak-high"),), wire=Wire(lost=0.02),
        measures=(Measure(quantity="nitrogen-demand", asset="gen1", start=DAY),
                  Measure(quantity="compressor-delivery", asset="gen1", start=DAY),
                  *_leak_measures("r1", "r2")),
        never=(Never(condition="tank-leak", trap="demand by a riser"),
               Never(condition="leak-growing"), Never(condition="compressor-weak")))


@story()
def purge_flow_is_no_leak(d: Draw) -> Case:
    """A tight riser is purged for two days: what the vent lets out is no leak."""
    return Case(
        **plant(
            generators=[generator()], atmosphere="1008 mbar", quiet_step="20 s",
            risers=[riser(leak="0.02 scfm", oxygen_start="20.9 %", dead_leg=0.1,
                          dead_leg_time="3 h")],
            vents=[vent(flow=f"{d.about(0.4):.2f} scfm")]),
        devices=(CONTROLLER, Dev(id="vents", registers="vent-v", watches=("r1-vent",),
                                 every=45 * SECOND)),
        duration=hours(52), wire=Wire(lost=0.02),
        measures=(Measure(quantity="nitrogen-demand", asset="gen1"),),
        never=(Never(condition="leak-high", trap="purge flow while the vent is open"),
               Never(condition="leak-growing", trap="purge flow while the vent is open"),
               Never(condition="tank-leak", trap="demand by a riser"),
               Never(condition="oxygen-not-falling"), Never(condition="purge-blocked")))
