"""Stories of the compressor: runs, starts, duty, wear, and what only looks like them."""

from __future__ import annotations

from simulators.plant import Plant
from simulators.units import PSI
from tests.benchmarks.cases.build import act, generator, hours, minutes, off, plant, riser, room
from tests.benchmarks.cases.shape import (
    DAY,
    HOUR,
    MINUTE,
    SECOND,
    Case,
    Declared,
    Dev,
    Draw,
    Expect,
    May,
    Measure,
    Never,
    Wire,
    story,
)

CONTROLLER = Dev(id="gen1-controller", registers="generator-a", watches=("gen1", "r1"))
LEAKS = (May(condition="leak-high"), May(condition="leak-growing"))


def _running(p: Plant) -> bool:
    return p.generators["gen1"].running


def _small(d: Draw, **over: object) -> dict[str, dict[str, object]]:
    return plant(
        generators=[generator(room="plant-room", tank_start=f"{d.between(64, 78):.1f} psi",
                              intake=f"{d.about(4.6, 0.05):.2f} scfm")],
        risers=[riser(volume=f"{d.about(450):.0f} gal", leak=f"{d.about(0.04):.3f} scfm",
                      **over)],
        rooms=[room()], altitude="40 m", atmosphere="1008 mbar")


@story()
def long_run_from_a_leak(d: Draw) -> Case:
    """A joint opens and takes 1.35 to 1.6 scfm: refills outlast the 12 minutes they may take."""
    at = d.instant(20 * MINUTE, 40 * MINUTE)
    return Case(
        **_small(d), devices=(CONTROLLER,), duration=hours(3),
        acts=(act(at, "leak-step", riser="r1", flow=f"{d.between(1.35, 1.6):.2f} scfm"),),
        settings={"compressor-long-run": {"limit": "12 min"}}, wire=Wire(lost=0.01),
        expects=(Expect(condition="compressor-long-run", asset="gen1", when=_running,
                        held=minutes(12), within=minutes(5), says=("leak",)),),
        may=(*LEAKS, May(condition="compressor-overduty")),
        never=(Never(condition="compressor-weak", trap="more demand, which also slows the pump-up"),
               Never(condition="air-fill-stuck")))


@story()
def run_that_never_ends(d: Draw) -> Case:
    """The pressure switch no longer opens: the compressor runs against the relief valve."""
    return Case(
        **_small(d), devices=(CONTROLLER,), duration=hours(4),
        acts=(act(0, "no-stop", generator="gen1"),
              act(minutes(10), "leak-step", riser="r1", flow="0.3 scfm")),
        settings={"compressor-long-run": {"limit": "12 min"}},
        expects=(Expect(condition="compressor-long-run", asset="gen1", when=_running,
                        held=minutes(12), within=minutes(5)),),
        may=(*LEAKS, May(condition="compressor-overduty"), May(condition="tank-leak")),
        never=(Never(condition="pressure-high"),))


@story()
def long_run_in_air_fill(d: Draw) -> Case:
    """A leak of 3.9 to 4.3 scfm takes all that the unit can make: air-fill, and no end of it."""
    at = d.instant(20 * MINUTE, 40 * MINUTE)
    return Case(
        **_small(d), devices=(CONTROLLER,), duration=hours(4),
        acts=(act(at, "leak-step", riser="r1", flow=f"{d.between(3.9, 4.3):.2f} scfm"),),
        settings={"compressor-long-run": {"limit": "12 min"}},
        expects=(
            # Past the first minutes the run is one in air-fill, which may take half an hour.
            Expect(condition="compressor-long-run", asset="gen1", when=_running,
                   held=minutes(12), within=hours(0.7), allow=minutes(20)),
            Expect(condition="air-fill-stuck", asset="gen1",
                   when=lambda p: p.generators["gen1"].air_fill, held=minutes(30),
                   within=minutes(5))),
        may=(*LEAKS, May(condition="compressor-overduty"), May(condition="oxygen-rising"),
             May(condition="pressure-low"), May(condition="air-fill-frequent")),
        never=(Never(condition="air-in-nitrogen-mode"), Never(condition="compressor-weak"),
               Never(condition="product-oxygen-high", trap="it says air-fill itself")))


@story()
def silence_during_a_run(d: Draw) -> Case:
    """The controller loses its network for 25 to 40 minutes in the middle of a short run."""
    at = d.instant(3 * HOUR, 4 * HOUR)
    back = at + d.instant(25 * MINUTE, 40 * MINUTE)
    case = _small(d)
    case["tables"]["risers"][0]["leak"] = "0.5 scfm"  # type: ignore[index]
    return Case(
        **case, devices=(CONTROLLER,), duration=hours(8),
        acts=(act(at, "silent", device="gen1-controller"),
              off(back, "silent", device="gen1-controller")),
        expects=(Expect(condition="device-silent", asset="gen1-controller", at=at,
                        within=minutes(10), allow=6 * 5 * SECOND),),
        may=LEAKS,
        never=(Never(condition="compressor-long-run", trap="a gap in the samples"),
               Never(condition="compressor-not-starting"), Never(condition="data-frozen")))


@story()
def a_run_from_before_the_start(d: Draw) -> Case:
    """Watching begins in the middle of a refill of usual length."""
    case = _small(d)
    case["tables"]["generators"][0]["tank_start"] = "59 psi"  # type: ignore[index]
    return Case(
        **case, devices=(CONTROLLER,), duration=hours(2), wire=Wire(lost=0.02),
        never=(Never(condition="compressor-long-run", trap="a run that began before start-up"),))


@story()
def declared_fill(d: Draw) -> Case:
    """An empty riser is filled, and somebody said so: a long run in air-fill, and all is well."""
    case = _small(d, pressure_start="0 psi", oxygen_start="20.9 %")
    for table in (*case["tables"]["risers"], *case["site"]["risers"]):  # type: ignore[misc]
        table["volume"] = f"{d.about(600, 0.1):.0f} gal"  # type: ignore[index]
    return Case(
        **case, devices=(CONTROLLER,), duration=hours(3),
        declared=(Declared(asset="r1", at=0, until=minutes(90)),),
        settings={"compressor-long-run": {"fill_limit": "75 min"},
                  "air-fill-stuck": {"fill_limit": "75 min"}},
        may=(May(condition="pressure-low", end=minutes(90)),
             May(condition="low-air-contact", end=minutes(90))),
        never=(Never(condition="compressor-long-run", trap="a declared fill"),
               Never(condition="air-fill-stuck", trap="a declared system fill"),
               Never(condition="air-fill-frequent", trap="a declared fill"),
               Never(condition="leak-high", trap="the demand of a fill"),
               Never(condition="pressure-falling-fast")))


@story()
def compressor_does_not_start(d: Draw) -> Case:
    """The tank falls past cut-in and nothing starts."""
    case = _small(d)
    case["tables"]["risers"][0]["leak"] = "0.4 scfm"  # type: ignore[index]
    return Case(
        **case, devices=(CONTROLLER,), duration=hours(2.5),
        acts=(act(0, "no-start", generator="gen1"),),
        expects=(Expect(condition="compressor-not-starting", asset="gen1",
                        when=lambda p: p.generators["gen1"].gauge < 57.7 * PSI,
                        within=minutes(20), early=minutes(20)),),
        may=(*LEAKS, May(condition="tank-leak"), May(condition="air-fill-stuck"),
             May(condition="air-fill-frequent"), May(condition="pressure-low", start=hours(1))))


@story()
def power_off_at_the_disconnect(d: Draw) -> Case:
    """Somebody opens the disconnect; the controller lives on its own supply and tells."""
    at = d.instant(20 * MINUTE, 60 * MINUTE)
    case = _small(d)
    case["tables"]["risers"][0]["leak"] = "0.4 scfm"  # type: ignore[index]
    return Case(
        **case, devices=(CONTROLLER,), duration=hours(4),
        acts=(act(at, "power-off", generator="gen1"),),
        expects=(Expect(condition="power-lost", asset="gen1", at=at, within=minutes(5)),),
        may=(*LEAKS, May(condition="generator-trouble"), May(condition="tank-leak"),
             May(condition="pressure-low")),
        never=(Never(condition="compressor-not-starting", trap="power off at the disconnect"),
               Never(condition="air-fill-stuck"), Never(condition="data-frozen"),
               Never(condition="oxygen-sensor-suspect")))


@story()
def short_cycling(d: Draw) -> Case:
    """The pressure switch's band has shrunk to 1.5 to 2 psi: fifteen starts an hour and more."""
    at = d.instant(60 * MINUTE, 90 * MINUTE)
    case = _small(d)
    case["tables"]["risers"][0]["leak"] = "0.7 scfm"  # type: ignore[index]
    return Case(
        **case, devices=(CONTROLLER,), duration=hours(5),
        acts=(act(at, "narrow-switch", generator="gen1", band=f"{d.between(1.5, 2):.2f} psi"),),
        expects=(Expect(condition="compressor-short-cycling", asset="gen1", at=at,
                        within=hours(1.5), slow=True),),
        may=LEAKS, never=(Never(condition="compressor-weak"),))


@story()
def bouncing_contact(d: Draw) -> Case:
    """Polled every second, one poll in 150 catches the running contact bouncing."""
    fast = Dev(id="gen1-controller", registers="generator-a", watches=("gen1", "r1"),
               every=SECOND)
    return Case(
        **_small(d), devices=(fast,), duration=hours(1.5),
        wire=Wire(bounce={"gen1.compressor_running": 1 / 150, "gen1.trouble": 1 / 150}),
        never=(Never(condition="compressor-short-cycling", trap="bounce on the contact"),
               Never(condition="generator-trouble", trap="bounce"),
               Never(condition="compressor-not-starting"),
               Never(condition="contact-disagreement")))


@story()
def overduty(d: Draw) -> Case:
    """Demand of 1.55 scfm and more: the compressor runs over 70 % of the day."""
    at = d.instant(2 * HOUR, 4 * HOUR)
    slow = Dev(id="gen1-controller", registers="generator-b", watches=("gen1", "r1"),
               every=30 * SECOND)
    return Case(
        **_small(d), devices=(slow,), duration=hours(36), wire=Wire(lost=0.02),
        acts=(act(at, "leak-step", riser="r1", flow=f"{d.between(1.55, 1.7):.2f} scfm"),),
        expects=(Expect(condition="compressor-overduty", asset="gen1", at=at, within=hours(30),
                        slow=True),),
        may=(*LEAKS, May(condition="compressor-long-run"), May(condition="air-fill-stuck"),
             May(condition="air-fill-frequent")),
        measures=(Measure(quantity="compressor-duty", asset="gen1"),),
        never=(Never(condition="compressor-weak"),))


@story()
def frozen_logger_says_running(d: Draw) -> Case:
    """After a day the controller's registers freeze during a run and say "running" ever after."""
    case = _small(d)
    case["tables"]["risers"][0]["leak"] = "0.45 scfm"  # type: ignore[index]
    slow = Dev(id="gen1-controller", registers="generator-b", watches=("gen1", "r1"),
               every=30 * SECOND)
    other = Dev(id="room-monitor", registers="room-r", watches=("plant-room",), every=30 * SECOND)
    at = d.instant(22 * HOUR, 26 * HOUR)
    return Case(
        **case, devices=(slow, other), duration=hours(48),
        # The switch that does not open for half an hour makes sure that it freezes in a run.
        acts=(act(at - minutes(40), "no-stop", generator="gen1"),
              act(at, "frozen-registers", device="gen1-controller"),
              off(at + minutes(1), "no-stop", generator="gen1")),
        expects=(Expect(condition="data-frozen", asset="gen1-controller", at=at,
                        within=hours(6), slow=True),),
        may=(*LEAKS, May(condition="compressor-long-run", start=at - minutes(40))),
        never=(Never(condition="compressor-overduty",
                     trap='a frozen logger whose contact reads "running"'),
               Never(condition="oxygen-sensor-suspect")))


def _weeks(d: Draw, leak: str) -> dict[str, dict[str, object]]:
    return plant(
        generators=[generator(tank_start=f"{d.between(64, 78):.1f} psi", room="plant-room",
                              intake=f"{d.about(4.6, 0.1):.2f} scfm")],
        risers=[riser(leak=leak, volume=f"{d.about(450):.0f} gal",
                      season_swing=f"{d.between(4, 9):.1f} K")],
        rooms=[room(daily_swing=f"{d.between(1, 3):.1f} K")], quiet_step="30 s")


@story(long=True, most=10)
def worn_compressor(d: Draw) -> Case:
    """After 7 days the delivery is down by 30 to 40 %: valves or rings worn."""
    at = d.instant(7 * DAY, 8 * DAY)
    slow = Dev(id="gen1-controller", registers="generator-b", watches=("gen1", "r1"),
               every=d.choice(30, 60) * SECOND)
    return Case(
        **_weeks(d, f"{d.about(0.25):.3f} scfm"), devices=(slow,), duration=11 * DAY,
        start=d.choice("2026-02-02T06:00:00Z", "2026-06-08T06:00:00Z", "2026-10-05T06:00:00Z"),
        acts=(act(at, "worn-compressor", generator="gen1", share=round(d.between(0.3, 0.4), 2)),),
        expects=(Expect(condition="compressor-weak", asset="gen1", at=at, within=3 * DAY,
                        slow=True),),
        may=(*LEAKS, May(condition="compressor-long-run", start=at),
             May(condition="compressor-overduty", start=at)),
        measures=tuple(Measure(quantity=q, asset="gen1", start=2 * DAY, end=at) for q in (
            "compressor-delivery", "nitrogen-demand", "compressor-duty", "pump-up-time")))


@story(long=True, most=8)
def more_demand_is_no_wear(d: Draw) -> Case:
    """After 7 days the demand triples. The compressor is as good as it was."""
    at = d.instant(7 * DAY, 8 * DAY)
    base = d.about(0.2)
    slow = Dev(id="gen1-controller", registers="generator-b", watches=("gen1", "r1"),
               every=d.choice(30, 60) * SECOND)
    return Case(
        **_weeks(d, f"{base:.3f} scfm"), devices=(slow,), duration=11 * DAY,
        acts=(act(at, "leak-step", riser="r1", flow=f"{2 * base:.3f} scfm"),),
        may=(*LEAKS, May(condition="compressor-long-run", start=at)),
        never=(Never(condition="compressor-weak", trap="more demand, which also slows the pump-up"),
               Never(condition="tank-leak", trap="demand by a riser")),
        measures=tuple(Measure(quantity=q, asset="gen1", start=2 * DAY) for q in (
            "compressor-delivery", "nitrogen-demand", "compressor-duty")))
