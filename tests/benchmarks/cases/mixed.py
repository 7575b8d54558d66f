"""Stories in which several things go wrong at once, or one after the other."""

from __future__ import annotations

from simulators.units import PSI
from tests.benchmarks.cases.build import (
    act,
    generator,
    hours,
    minutes,
    off,
    plant,
    riser,
    room,
    vent,
)
from tests.benchmarks.cases.shape import (
    HOUR,
    MINUTE,
    SECOND,
    Case,
    Dev,
    Draw,
    Expect,
    May,
    Never,
    Wire,
    story,
)


def _cold_store(d: Draw) -> dict[str, dict[str, object]]:
    return plant(
        generators=[generator("gen1", room="plant-room"), generator("gen2")],
        risers=[riser("r1", leak=f"{d.about(0.04):.3f} scfm"),
                riser("r2", volume="160 gal", leak="0.012 scfm", temperature="255 K",
                      daily_swing="1 K", oxygen_start="20.9 %", dead_leg=0.1,
                      dead_leg_time="2 h"),
                riser("r3", fed_by="gen2", volume="700 gal", leak="0.05 scfm")],
        vents=[vent("r2-vent", riser="r2", flow="0.3 scfm")], rooms=[room()],
        atmosphere="1008 mbar", altitude="40 m")


def _devices(every: int = 10 * SECOND) -> tuple[Dev, ...]:
    return (
        Dev(id="gen1-controller", registers="generator-a", watches=("gen1", "r1", "r2"),
            every=every),
        Dev(id="gen2-controller", registers="generator-b", watches=("gen2", "r3"), every=every),
        Dev(id="vents", registers="vent-v", watches=("r2-vent",), every=every),
        Dev(id="room-monitor", registers="room-r", watches=("plant-room",), every=every),
        Dev(id="switches", registers="switches-s", watches=("r1", "r2", "r3"), every=every))


@story()
def a_bad_day_at_the_cold_store(d: Draw) -> Case:
    """A leak in one building, a stuck pilot in the other, a purge blocked by water, a silent
    device."""
    leak, pilot = d.instant(20 * MINUTE, 40 * MINUTE), d.instant(3 * HOUR, 3.5 * HOUR)
    water, silent = d.instant(5 * HOUR, 5.5 * HOUR), d.instant(6 * HOUR, 6.5 * HOUR)
    return Case(
        **_cold_store(d), devices=_devices(30 * SECOND), duration=hours(14), wire=Wire(lost=0.01),
        settings={"compressor-long-run": {"limit": "12 min"}},
        acts=(act(leak, "leak-step", riser="r1", flow=f"{d.between(1.3, 1.5):.2f} scfm"),
              off(leak + hours(1.5), "leak-step", riser="r1"),
              act(pilot, "stuck-air-fill", generator="gen2"),
              off(pilot + hours(1.5), "stuck-air-fill", generator="gen2"),
              act(water, "purge-blocked", vent="r2-vent"),
              act(silent, "silent", device="gen2-controller"),
              off(silent + hours(1), "silent", device="gen2-controller")),
        expects=(
            Expect(condition="compressor-long-run", asset="gen1", held=minutes(12),
                   when=lambda p: p.generators["gen1"].running, within=minutes(5)),
            Expect(condition="air-fill-stuck", asset="gen2", at=pilot + minutes(30),
                   within=minutes(10), early=minutes(30)),
            Expect(condition="water-at-vent", asset="r2-vent", at=water, within=minutes(10)),
            Expect(condition="device-silent", asset="gen2-controller", at=silent,
                   within=minutes(5), allow=6 * 30 * SECOND)),
        may=(May(condition="leak-high", asset="r1", start=leak),
             May(condition="leak-growing", asset="r1", start=leak),
             May(condition="purge-blocked", start=water),
             May(condition="oxygen-not-falling", start=water),
             May(condition="compressor-overduty", asset="gen1"),
             May(condition="compressor-long-run", asset="gen2", start=pilot)),
        never=(Never(condition="compressor-weak"), Never(condition="leak-high", asset="r3"),
               Never(condition="leak-high", asset="r2", trap="purge flow while the vent is open"),
               Never(condition="oxygen-sensor-suspect"), Never(condition="data-frozen")))


@story()
def power_cut_with_the_controllers(d: Draw) -> Case:
    """The mains fail: the first unit's controller dies with it, the remote contacts live on a
    battery."""
    at = d.instant(60 * MINUTE, 90 * MINUTE)
    io = Dev(id="remote-io", registers="contacts-c", watches=("gen1", "r1"), every=5 * SECOND)
    # The unit's own register set would tell trouble and power a second time: B has neither.
    controller = Dev(id="gen1-controller", registers="generator-b", watches=("gen1", "r1"),
                     every=10 * SECOND, powered_by="gen1")
    return Case(
        **plant(generators=[generator()], risers=[riser(leak="0.05 scfm")]),
        devices=(controller, io), duration=hours(5), wire=Wire(lost=0.01),
        acts=(act(at, "power-off", generator="gen1"),
              off(at + hours(2), "power-off", generator="gen1")),
        expects=(Expect(condition="power-lost", asset="gen1", at=at, within=minutes(5)),),
        may=(May(condition="generator-trouble", start=at),
             May(condition="device-silent", asset="gen1-controller", start=at)),
        never=(Never(condition="compressor-not-starting", trap="power off at the disconnect"),
               Never(condition="pressure-low"), Never(condition="data-frozen"),
               Never(condition="device-silent", asset="remote-io")))


@story()
def leak_behind_a_silent_device(d: Draw) -> Case:
    """A riser loses its pressure while its controller is silent; only the switch can tell."""
    silent = d.instant(30 * MINUTE, 40 * MINUTE)
    at = silent + minutes(10)
    return Case(
        **_cold_store(d), devices=_devices(10 * SECOND), duration=hours(3),
        acts=(act(silent, "silent", device="gen1-controller"),
              act(at, "leak-step", riser="r1", flow="16 scfm")),
        expects=(
            Expect(condition="device-silent", asset="gen1-controller", at=silent,
                   within=minutes(5), allow=60 * SECOND),
            Expect(condition="low-air-contact", asset="r1", within=minutes(10),
                   when=lambda p: p.risers["r1"].gauge < 18 * PSI)),
        # The neighbour's leak takes the gas that the purge would need.
        may=(May(condition="purge-blocked", start=at),
             May(condition="oxygen-not-falling", start=at)),
        never=(Never(condition="contact-disagreement", trap="the sensor is not heard"),
               Never(condition="pressure-falling-fast", trap="the sensor is not heard"),
               Never(condition="compressor-not-starting"), Never(condition="data-frozen")))


@story(long=True, most=10)
def wear_and_a_growing_leak_together(d: Draw) -> Case:
    """After a week the compressor loses a third of its delivery while the leak grows
    threefold."""
    at = d.instant(7 * 24 * HOUR, 8 * 24 * HOUR)
    controller = Dev(id="gen1-controller", registers="generator-b", watches=("gen1", "r1"),
                     every=60 * SECOND)
    return Case(
        **plant(generators=[generator(intake="6 scfm")], quiet_step="30 s",
                risers=[riser(volume="700 gal", leak=f"{d.about(0.06):.3f} scfm")]),
        devices=(controller,), duration=11 * 24 * HOUR, wire=Wire(lost=0.01),
        acts=(act(at, "worn-compressor", generator="gen1", share=0.35),
              act(at, "leak-step", riser="r1", flow="0.3 scfm")),
        expects=(
            Expect(condition="compressor-weak", asset="gen1", at=at, within=3 * 24 * HOUR,
                   slow=True),
            Expect(condition="leak-high", asset="r1", at=at, within=24 * HOUR, slow=True)),
        may=(May(condition="leak-growing", start=at),
             May(condition="compressor-long-run", start=at)),
        never=(Never(condition="tank-leak", trap="demand by a riser"),))
