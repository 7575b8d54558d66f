"""Stories of purges: as they should be, slow, stalled, blocked, and of vents that stick."""

from __future__ import annotations

from collections.abc import Callable

from simulators.plant import Plant
from tests.benchmarks.cases.build import act, generator, hours, minutes, off, plant, riser, vent
from tests.benchmarks.cases.shape import (
    DAY,
    HOUR,
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

CONTROLLER = Dev(id="gen1-controller", registers="generator-b", watches=("gen1", "r1"),
                 every=45 * SECOND)
VENTS = Dev(id="vents", registers="vent-v", watches=("r1-vent",), every=45 * SECOND)
DEVICES = (CONTROLLER, VENTS)
PURGE = tuple(Measure(quantity=q, asset="r1-vent") for q in (
    "purge-completion", "purge-time-constant", "purge-done-at", "oxygen-exposure"))


def _purge(d: Draw, *, gallons: float, scfm: float, oxygen: str = "20.9 %", leak: float = 5e-5,
           riser_over: dict[str, object] | None = None, **vent_over: object,
           ) -> dict[str, dict[str, object]]:
    volume = d.about(gallons, 0.1)
    return plant(
        generators=[generator(product_oxygen=f"{d.between(0.4, 0.9):.2f} %",
                              tank_start=f"{d.between(64, 78):.1f} psi",
                              site={"product_oxygen_limit": "3 %"})],
        risers=[riser(volume=f"{volume:.0f} gal", leak=f"{volume * leak:.4f} scfm",
                      oxygen_start=oxygen, dead_leg=round(d.between(0.05, 0.15), 2),
                      dead_leg_time=f"{d.between(1.5, 3):.1f} h", **(riser_over or {}))],
        vents=[vent(flow=f"{d.about(scfm, 0.1):.3f} scfm", **vent_over)], quiet_step="45 s")


def _oxygen(above: float) -> Callable[[Plant], bool]:
    return lambda p: p.risers["r1"].far_oxygen > above / 100


@story()
def purge_as_it_should_be(d: Draw) -> Case:
    """A small riser purged from air to its target within a day and a half."""
    return Case(
        **_purge(d, gallons=250, scfm=0.3), devices=DEVICES, duration=hours(60),
        wire=Wire(lost=0.02), measures=PURGE,
        never=(Never(condition="oxygen-not-falling", trap="sensor noise and 0.1 % steps"),
               Never(condition="purge-blocked"), Never(condition="vent-stuck-open"),
               Never(condition="vent-stuck-closed"), Never(condition="oxygen-sensor-suspect"),
               Never(condition="oxygen-rising", trap="the last breath of a dead leg")))


@story(long=True, most=10)
def long_purge_of_a_big_riser(d: Draw) -> Case:
    """1500 gal through 0.5 scfm: the better part of a week, and the forecast must be
    useful early."""
    return Case(
        **_purge(d, gallons=1500, scfm=0.5, leak=3e-5),
        devices=(Dev(id="gen1-controller", registers="generator-b", watches=("gen1", "r1"),
                     every=60 * SECOND),
                 Dev(id="vents", registers="vent-v", watches=("r1-vent",), every=60 * SECOND)),
        duration=7 * DAY, wire=Wire(lost=0.02), measures=PURGE,
        may=(May(condition="compressor-overduty"),),
        never=(Never(condition="oxygen-not-falling", trap="sensor noise and 0.1 % steps"),
               Never(condition="leak-high", trap="purge flow while the vent is open")))


@story()
def water_stalls_the_purge(d: Draw) -> Case:
    """Water gathers at the vent when the pipe is a third of the way down: nothing flows
    any more."""
    at = d.instant(5 * HOUR, 7 * HOUR)
    return Case(
        **_purge(d, gallons=250, scfm=0.35), devices=DEVICES, duration=hours(30),
        wire=Wire(lost=0.01), acts=(act(at, "purge-blocked", vent="r1-vent"),),
        expects=(
            Expect(condition="water-at-vent", asset="r1-vent", at=at, within=hours(0.3)),
            Expect(condition="purge-blocked", asset="r1-vent", at=at, within=hours(14),
                   slow=True)),
        # One cause: what blocks the purge explains that the oxygen stands still.
        may=(May(condition="oxygen-not-falling", start=at),),
        never=(Never(condition="oxygen-sensor-suspect", trap="a purge that stands still"),
               Never(condition="vent-stuck-closed"), Never(condition="vent-stuck-open")))


@story()
def clogged_filter_slows_the_purge(d: Draw) -> Case:
    """From the first hour on the vent passes a fifth of what it should."""
    at = d.instant(1 * HOUR, 2 * HOUR)
    return Case(
        **_purge(d, gallons=250, scfm=0.35), devices=DEVICES, duration=hours(36),
        wire=Wire(lost=0.01),
        acts=(act(at, "vent-clogged", vent="r1-vent", share=round(d.between(0.75, 0.85), 2)),),
        expects=(Expect(condition="oxygen-not-falling", asset="r1-vent", at=at, within=hours(20),
                        slow=True),),
        may=(May(condition="purge-blocked"),),
        never=(Never(condition="water-at-vent"), Never(condition="oxygen-sensor-suspect")))


@story()
def air_fill_feeds_the_purge(d: Draw) -> Case:
    """Half-way through the purge the unit sticks in air-fill: the vent is open and air comes in."""
    at = d.instant(3 * HOUR, 4.5 * HOUR)
    return Case(
        **_purge(d, gallons=250, scfm=0.35), devices=DEVICES, duration=hours(22),
        wire=Wire(lost=0.01), acts=(act(at, "stuck-air-fill", generator="gen1"),),
        expects=(
            Expect(condition="air-fill-stuck", asset="gen1", at=at + minutes(30),
                   within=hours(0.5), early=minutes(30)),
            Expect(condition="oxygen-not-falling", asset="r1-vent", at=at, within=hours(14),
                   slow=True, says=("air-fill",))),
        may=(May(condition="oxygen-rising"),),
        never=(Never(condition="purge-blocked", trap="a supply in air-fill"),
               Never(condition="oxygen-sensor-suspect"),
               Never(condition="product-oxygen-high", trap="it says air-fill itself")))


@story()
def vent_stuck_closed(d: Draw) -> Case:
    """The vent's solenoid fails while the purge is under way: it stays shut."""
    at = d.instant(3 * HOUR, 5 * HOUR)
    return Case(
        **_purge(d, gallons=250, scfm=0.35), devices=DEVICES, duration=hours(36),
        wire=Wire(lost=0.01), acts=(act(at, "vent-stuck-closed", vent="r1-vent"),),
        expects=(Expect(condition="vent-stuck-closed", asset="r1-vent", at=at, within=hours(28),
                        slow=True),),
        may=(May(condition="oxygen-not-falling"),),
        never=(Never(condition="purge-blocked", trap="the vent itself says closed"),
               Never(condition="oxygen-sensor-suspect", trap="no gas passes the sensor")))


@story()
def vent_stuck_open(d: Draw) -> Case:
    """The target is reached and the vent does not shut: nitrogen for the sky."""
    return Case(
        **_purge(d, gallons=250, scfm=0.3, oxygen="4 %"), devices=DEVICES, duration=hours(40),
        wire=Wire(lost=0.01), acts=(act(0, "vent-stuck-open", vent="r1-vent"),),
        expects=(Expect(condition="vent-stuck-open", asset="r1-vent", within=hours(30), slow=True,
                        when=lambda p: p.risers["r1"].far_oxygen < 0.0195),),
        never=(Never(condition="leak-high", trap="purge flow while the vent is open"),
               Never(condition="purge-blocked"), Never(condition="oxygen-not-falling")))


@story()
def vent_with_a_timer(d: Draw) -> Case:
    """A vent on a timer, two hours a day: shut while the purge is due, and open below the
    target."""
    return Case(
        **_purge(d, gallons=250, scfm=0.5, oxygen=d.choice("1.4 %", "3 %"), logic="timer"),
        devices=DEVICES, duration=hours(54), wire=Wire(lost=0.01),
        settings={"vent-stuck-closed": {"planned": "24 h"}, "vent-stuck-open": {"planned": "2 h"}},
        may=(May(condition="oxygen-not-falling"),),
        never=(Never(condition="vent-stuck-open", trap="a purge planned by timer"),
               Never(condition="vent-stuck-closed", trap="a purge planned by timer"),
               Never(condition="leak-high", trap="purge flow while the vent is open"),
               Never(condition="oxygen-rising")))


@story()
def tiny_vent_cannot_tell(d: Draw) -> Case:
    """A vent of 0.015 scfm is blocked: neither demand nor oxygen can show it within a day."""
    return Case(
        **_purge(d, gallons=450, scfm=0.015, oxygen="6 %"), devices=DEVICES, duration=hours(30),
        acts=(act(hours(3), "purge-blocked", vent="r1-vent", seen=False),),
        may=(May(condition="oxygen-not-falling"),),
        never=(Never(condition="purge-blocked", trap="a very small vent: cannot tell"),))


@story()
def oxygen_rises_again(d: Draw) -> Case:
    """The target was reached; then the unit makes air for a day and the pipe fills with it."""
    at = d.instant(20 * HOUR, 26 * HOUR)
    return Case(
        **_purge(d, gallons=250, scfm=0.3, oxygen="1.5 %", leak=1.2e-3), devices=DEVICES,
        duration=hours(60), wire=Wire(lost=0.01),
        acts=(act(at, "stuck-air-fill", generator="gen1"),),
        expects=(
            Expect(condition="air-fill-stuck", asset="gen1", at=at + minutes(30),
                   within=hours(0.5), early=minutes(30)),
            Expect(condition="oxygen-rising", asset="r1-vent", when=_oxygen(2.6), within=hours(20),
                   early=hours(10), slow=True)),
        may=(May(condition="oxygen-not-falling", start=at), May(condition="leak-high"),
             May(condition="leak-growing"), May(condition="compressor-long-run"),
             May(condition="vent-stuck-open", start=at)),
        never=(Never(condition="oxygen-sensor-suspect"), Never(condition="purge-blocked")))


@story()
def sensor_breathes_room_air(d: Draw) -> Case:
    """The sensor's chamber takes room air while the vent is shut, and reads it when the
    vent opens."""
    return Case(
        **_purge(d, gallons=450, scfm=0.4, oxygen="1.3 %", logic="timer", timer_period="12 h",
                 timer_open="90 min", samples_room_air=True),
        devices=DEVICES, duration=hours(40), wire=Wire(lost=0.01),
        settings={"vent-stuck-closed": {"planned": "24 h"}, "vent-stuck-open": {"planned": "2 h"}},
        may=(May(condition="oxygen-sensor-suspect"),),
        never=(Never(condition="oxygen-rising",
                     trap="the vent sampling room air when it opens"),
               Never(condition="oxygen-not-falling", trap="room air in the chamber"),
               Never(condition="vent-stuck-closed", trap="a purge planned by timer")))


@story()
def declared_refill(d: Draw) -> Case:
    """A purged riser is drained for work and refilled with air; the fill is declared."""
    at = d.instant(4 * HOUR, 6 * HOUR)
    emptied = at + minutes(40)
    return Case(
        **_purge(d, gallons=300, scfm=0.3, oxygen="1.4 %"), devices=DEVICES, duration=hours(20),
        acts=(act(at, "riser-trip", riser="r1", flow="60 scfm"),
              off(emptied, "riser-trip", riser="r1")),
        declared=(Declared(asset="r1", at=at - minutes(5), until=emptied + hours(2)),),
        may=tuple(May(condition=c, start=at, end=emptied + hours(2)) for c in (
            "pressure-low", "pressure-falling-fast", "compressor-long-run", "air-fill-stuck")),
        never=(Never(condition="oxygen-rising", trap="a declared refill"),
               Never(condition="oxygen-not-falling"), Never(condition="oxygen-sensor-suspect"),
               Never(condition="leak-high", trap="the demand of a fill"),
               Never(condition="air-fill-frequent", trap="a declared fill")))
