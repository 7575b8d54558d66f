"""Stories of the supervisory pressure, the valve room's cold and the sensors that lie
about both."""

from __future__ import annotations

from simulators.plant import Plant
from simulators.units import PSI
from tests.benchmarks.cases.build import act, generator, hours, minutes, off, plant, riser
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

CONTROLLER = Dev(id="gen1-controller", registers="generator-a", watches=("gen1", "r1"))
SWITCHES = Dev(id="switches", registers="switches-s", watches=("r1",))
SUPPLY = tuple(May(condition=c) for c in (
    "leak-high", "leak-growing", "compressor-long-run", "air-fill-stuck", "air-fill-frequent",
    "compressor-overduty", "compressor-weak"))


def _small(d: Draw, **over: object) -> dict[str, dict[str, object]]:
    return plant(
        generators=[generator(tank_start=f"{d.between(64, 78):.1f} psi")],
        risers=[riser(**{"volume": f"{d.about(450):.0f} gal",
                         "leak": f"{d.about(0.05):.3f} scfm", **over})],
        units=d.choice("us", "metric"), altitude=f"{d.between(0, 1500):.0f} m",
        atmosphere="1000 mbar")


def _below(psi: float, asset: str = "r1") -> object:
    return lambda p: p.risers[asset].gauge < psi * PSI


@story()
def pressure_low(d: Draw) -> Case:
    """A leak of 9 to 12 scfm, more than the riser's supply of 6, pulls the pressure down slowly."""
    at = d.instant(20 * MINUTE, 60 * MINUTE)
    return Case(
        **_small(d), devices=(CONTROLLER, SWITCHES), duration=hours(3), wire=Wire(lost=0.01),
        acts=(act(at, "leak-step", riser="r1", flow=f"{d.between(9, 12):.1f} scfm"),),
        expects=(
            Expect(condition="pressure-low", asset="r1", when=_below(18.0), within=minutes(10),
                   says=("pressure",)),
            Expect(condition="low-air-contact", asset="r1", when=_below(18.0),
                   within=minutes(10))),
        may=(*SUPPLY, May(condition="pressure-falling-fast", start=at)),
        never=(Never(condition="contact-disagreement"), Never(condition="pressure-high")))


@story()
def pressure_high(d: Draw) -> Case:
    """The bypass of the air maintenance device is left open: the pipe goes up to the tank's
    pressure."""
    at = d.instant(20 * MINUTE, 60 * MINUTE)
    return Case(
        **_small(d, volume="300 gal"), devices=(CONTROLLER, SWITCHES), duration=hours(4),
        acts=(act(at, "bypass-open", riser="r1"),),
        expects=(Expect(condition="pressure-high", asset="r1",
                        when=lambda p: p.risers["r1"].gauge > 40 * PSI, within=minutes(10)),),
        may=SUPPLY, never=(Never(condition="pressure-low"),
                           Never(condition="pressure-falling-fast")))


@story()
def tripped_valve(d: Draw) -> Case:
    """A head opens or the valve trips: 60 to 400 scfm leave, the pressure is gone in a minute or
    two."""
    at = d.instant(20 * MINUTE, 60 * MINUTE)
    return Case(
        **_small(d), devices=(CONTROLLER, SWITCHES), duration=hours(2), wire=Wire(lost=0.01),
        acts=(act(at, "riser-trip", riser="r1", flow=f"{d.between(60, 400):.0f} scfm"),),
        expects=(
            Expect(condition="pressure-falling-fast", asset="r1", at=at, within=minutes(3),
                   allow=15 * SECOND),
            Expect(condition="pressure-low", asset="r1", when=_below(18.0), within=minutes(5)),
            Expect(condition="low-air-contact", asset="r1", when=_below(18.0),
                   within=minutes(5))),
        may=SUPPLY, never=(Never(condition="contact-disagreement"),
                           Never(condition="oxygen-sensor-suspect")))


@story()
def dropped_decimals(d: Draw) -> Case:
    """Readings of 2.5 where 25 is meant, one at a time, and other nonsense that the range lets
    through."""
    return Case(
        **_small(d), devices=(CONTROLLER,), duration=hours(6),
        wire=Wire(spikes=0.004, lost=0.01),
        never=(Never(condition="pressure-falling-fast", trap="a dropped decimal"),
               Never(condition="pressure-low", trap="one sample"),
               Never(condition="pressure-high", trap="one sample"),
               Never(condition="leak-high", trap="absurd samples"),
               Never(condition="tank-leak", trap="absurd samples"),
               Never(condition="compressor-not-starting", trap="absurd samples")))


@story()
def pressure_sensor_falls_to_zero(d: Draw) -> Case:
    """The pressure sensor dies and reads zero from one sample to the next; the switch says all is
    well."""
    at = d.instant(60 * MINUTE, 90 * MINUTE)
    return Case(
        **_small(d), devices=(CONTROLLER, SWITCHES), duration=hours(3),
        acts=(act(at, "pressure-drop-out", of="r1", reads="zero"),),
        expects=(Expect(condition="pressure-low", asset="r1", at=at, within=minutes(3),
                        says=("sensor",)),),
        may=(May(condition="contact-disagreement", asset="r1", start=at),),
        never=(Never(condition="pressure-falling-fast",
                     trap="a sensor that fell to zero in one sample with no decay"),
               Never(condition="leak-high", trap="a dead sensor"),
               Never(condition="low-air-contact")))


@story()
def swing_inside_the_limits(d: Draw) -> Case:
    """An unheated loft swings by 20 degrees a day: several psi, and no gas lost."""
    return Case(
        **_small(d, daily_swing="11 K", weather_swing="3 K", temperature="283 K"),
        devices=(Dev(id="gen1-controller", registers="generator-a", watches=("gen1", "r1"),
                     every=60 * SECOND),),
        duration=hours(72), wire=Wire(lost=0.02),
        start=d.choice("2026-04-06T00:00:00Z", "2026-07-06T00:00:00Z", "2026-10-05T00:00:00Z"),
        never=tuple(Never(condition=c, trap="temperature swing inside the limits") for c in (
            "pressure-low", "pressure-high", "pressure-falling-fast", "leak-high",
            "leak-growing")))


@story()
def valve_room_freezes(d: Draw) -> Case:
    """In January the valve room's heater fails at -8 degrees outside."""
    at = d.instant(3 * HOUR, 5 * HOUR)
    return Case(
        **_small(d, temperature="276 K", daily_swing="2 K"),
        devices=(Dev(id="gen1-controller", registers="generator-a", watches=("gen1", "r1"),
                     every=15 * SECOND),), duration=hours(16),
        start="2026-01-15T18:00:00Z", wire=Wire(lost=0.01),
        acts=(act(at, "heating-off", riser="r1"),),
        expects=(Expect(condition="low-temperature", asset="r1", within=hours(1), early=hours(0.3),
                        when=_cold, slow=True),),
        never=(Never(condition="pressure-low"), Never(condition="leak-high")))


def _cold(p: Plant) -> bool:
    return p.risers["r1"].valve_room < 277.15


@story()
def freezer_pipe(d: Draw) -> Case:
    """A freezer's pipe is meant to be at -20; its valve room is warm."""
    return Case(
        **_small(d, temperature="253 K", daily_swing="1 K", season_swing="0 K",
                 weather_swing="0.5 K"),
        devices=(CONTROLLER,), duration=hours(5), wire=Wire(lost=0.02, spikes=0.002),
        never=(Never(condition="low-temperature", trap="the pipe of a freezer"),
               Never(condition="pressure-falling-fast"), Never(condition="pressure-low")))


@story()
def stopped_supply_is_slow(d: Draw) -> Case:
    """The hand valve in the supply is shut for an hour and opened again: a leak's pace, no more."""
    at = d.instant(60 * MINUTE, 90 * MINUTE)
    case = _small(d)
    case["tables"]["risers"][0]["leak"] = "0.6 scfm"  # type: ignore[index]
    return Case(
        **case, devices=(CONTROLLER,), duration=hours(5),
        acts=(act(at, "power-off", generator="gen1"),
              off(at + hours(1), "power-off", generator="gen1")),
        may=(*SUPPLY, May(condition="power-lost"), May(condition="generator-trouble")),
        never=(Never(condition="pressure-falling-fast", trap="a leak's pace"),
               Never(condition="compressor-not-starting", trap="power off at the disconnect")))
