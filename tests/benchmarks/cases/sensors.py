"""Stories of what tells: oxygen sensors, devices, frozen data, the room where people work."""

from __future__ import annotations

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
    DAY,
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

CONTROLLER = Dev(id="gen1-controller", registers="generator-a", watches=("gen1", "r1"),
                 every=30 * SECOND)
VENTS = Dev(id="vents", registers="vent-v", watches=("r1-vent",), every=30 * SECOND)
ROOM = Dev(id="room-monitor", registers="room-r", watches=("plant-room",), every=30 * SECOND)
DEVICES = (CONTROLLER, VENTS, ROOM)
PLAN = {"service_every": "2000 h", "last_service_hours": "0 h"}


def _small(d: Draw, oxygen: str = "1.5 %", leak: float = 0.03, closet: bool = False,
           **general: object) -> dict[str, dict[str, object]]:
    return plant(
        generators=[generator(room="plant-room", tank_start=f"{d.between(64, 78):.1f} psi")],
        risers=[riser(volume=f"{d.about(300, 0.1):.0f} gal", leak=f"{d.about(leak):.3f} scfm",
                      oxygen_start=oxygen, dead_leg=0.1, dead_leg_time="2 h")],
        vents=[vent()],
        rooms=[room(volume="14 m3", air_changes=0.4) if closet else room()], **general)


@story()
def frozen_oxygen_sensor(d: Draw) -> Case:
    """The oxygen sensor's number freezes in the fast part of a purge."""
    at = d.instant(2 * HOUR, 3 * HOUR)
    return Case(
        **_small(d, "20.9 %"), devices=DEVICES, duration=hours(28), wire=Wire(lost=0.01),
        acts=(act(at, "oxygen-frozen", of="r1-vent"),),
        expects=(Expect(condition="oxygen-sensor-suspect", asset="r1-vent", at=at,
                        within=hours(24), slow=True),),
        may=(May(condition="oxygen-not-falling", start=at),
             May(condition="vent-stuck-open", start=at),
             May(condition="vent-stuck-closed", start=at)),
        never=(Never(condition="purge-blocked", trap="a frozen sensor, and gas flows"),
               Never(condition="data-frozen"), Never(condition="device-silent")))


@story()
def impossible_oxygen(d: Draw) -> Case:
    """The sensor reads more oxygen than air holds: 23.5 to 24.5 %."""
    at = d.instant(HOUR, 2 * HOUR)
    return Case(
        **_small(d), devices=DEVICES, duration=hours(6), wire=Wire(lost=0.01),
        acts=(act(at, "oxygen-biased", of="r1-vent", by=round(d.between(22, 23), 1)),),
        expects=(Expect(condition="oxygen-sensor-suspect", asset="r1-vent", at=at,
                        within=hours(1), slow=True),),
        may=(May(condition="vent-stuck-closed", start=at),),
        never=(Never(condition="oxygen-rising", trap="outside what is possible"),
               Never(condition="oxygen-not-falling", trap="outside what is possible")))


@story()
def oxygen_steps(d: Draw) -> Case:
    """The reading jumps by 6 to 9 % between two samples: no gas can do that."""
    at = d.instant(HOUR, 2 * HOUR)
    return Case(
        **_small(d), devices=DEVICES, duration=hours(10), wire=Wire(lost=0.01),
        acts=(act(at, "oxygen-biased", of="r1-vent", by=round(d.between(6, 9), 1)),),
        expects=(Expect(condition="oxygen-sensor-suspect", asset="r1-vent", at=at,
                        within=hours(2), slow=True),),
        may=(May(condition="oxygen-rising", start=at),
             May(condition="oxygen-not-falling", start=at),
             May(condition="vent-stuck-closed", start=at)),
        never=(Never(condition="air-in-nitrogen-mode"), Never(condition="purge-blocked")))


@story(healthy=True)
def steady_riser(d: Draw) -> Case:
    """A tight, purged riser in a tempered hall reads the same for four days. It really is
    steady."""
    case = _small(d, "1.2 %", leak=0.01, quiet_step="20 s")
    case["tables"]["risers"][0] |= {"daily_swing": "0.5 K", "season_swing": "0 K",  # type: ignore[index]
                                    "weather_swing": "0.3 K"}
    case["tables"]["vents"][0] |= {"noise": "0.01 %"}  # type: ignore[index]
    return Case(
        **case, devices=tuple(Dev(id=v.id, registers=v.registers, watches=v.watches,
                                  every=60 * SECOND) for v in DEVICES),
        duration=4 * DAY, wire=Wire(lost=0.01),
        never=(Never(condition="oxygen-sensor-suspect", trap="a riser that really is steady"),
               Never(condition="data-frozen", trap="a steady plant")))


@story(healthy=True)
def plant_that_stands_still(d: Draw) -> Case:
    """Perfect gauges, hardly a leak, no weather: readings that repeat themselves because they are
    true."""
    case = _small(d, "1.2 %", leak=0.003, noise=0.0, quiet_step="30 s")
    case["tables"]["risers"][0] |= {"daily_swing": "0 K", "season_swing": "0 K",  # type: ignore[index]
                                    "weather_swing": "0 K"}
    case["tables"]["rooms"][0] |= {"daily_swing": "0 K"}  # type: ignore[index]
    return Case(
        **case, devices=tuple(Dev(id=v.id, registers=v.registers, watches=v.watches,
                                  every=60 * SECOND) for v in DEVICES), duration=3 * DAY,
        never=(Never(condition="data-frozen", trap="a steady plant"),
               Never(condition="oxygen-sensor-suspect", trap="a riser that really is steady")))


@story()
def frozen_registers(d: Draw) -> Case:
    """The controller goes on answering with the numbers of an hour ago, counters included."""
    at = d.instant(3 * HOUR, 4 * HOUR)
    return Case(
        **_small(d, leak=0.3), devices=DEVICES, duration=hours(16), wire=Wire(lost=0.01),
        acts=(act(at, "frozen-registers", device="gen1-controller"),),
        expects=(Expect(condition="data-frozen", asset="gen1-controller", at=at,
                        within=hours(8), slow=True),),
        may=(May(condition="leak-high"), May(condition="compressor-long-run", start=at),
             May(condition="leak-growing")),
        never=(Never(condition="device-silent", trap="it does answer"),
               Never(condition="oxygen-sensor-suspect"), Never(condition="pressure-low"),
               Never(condition="compressor-not-starting", trap="a frozen tank pressure"),
               Never(condition="compressor-overduty", trap="a frozen logger")))


@story()
def silent_devices(d: Draw) -> Case:
    """One controller gives no answer, another only exceptions; both come back after an hour."""
    at = d.instant(HOUR, 2 * HOUR)
    then = at + hours(0.3)
    fast = tuple(Dev(id=v.id, registers=v.registers, watches=v.watches, every=5 * SECOND)
                 for v in DEVICES)
    return Case(
        **_small(d, leak=0.3), devices=fast, duration=hours(6), wire=Wire(lost=0.02),
        acts=(act(at, "silent", device="gen1-controller"),
              off(at + hours(1), "silent", device="gen1-controller"),
              act(then, "exceptions", device="vents"),
              off(then + hours(1), "exceptions", device="vents")),
        expects=(Expect(condition="device-silent", asset="gen1-controller", at=at,
                        within=minutes(5), allow=30 * SECOND),
                 Expect(condition="device-silent", asset="vents", at=then, within=minutes(5),
                        allow=30 * SECOND)),
        may=(May(condition="leak-high"), May(condition="leak-growing")),
        never=(Never(condition="device-silent", asset="room-monitor", trap="it does answer"),
               Never(condition="compressor-long-run", trap="a gap in the samples"),
               Never(condition="data-frozen"), Never(condition="pressure-low"),
               Never(condition="oxygen-sensor-suspect"), Never(condition="vent-stuck-closed")))


@story()
def nitrogen_in_the_closet(d: Draw) -> Case:
    """The unit stands in a closet; its tank leaks 1 to 1.6 scfm into the little room."""
    at = d.instant(HOUR, 2 * HOUR)
    return Case(
        **_small(d, closet=True), devices=DEVICES, duration=hours(12), wire=Wire(lost=0.01),
        acts=(act(at, "tank-leak", generator="gen1", flow=f"{d.between(1.0, 1.5):.2f} scfm"),),
        expects=(Expect(condition="room-oxygen-low", asset="plant-room", within=minutes(40),
                        early=hours(0.6), slow=True,
                        when=lambda p: p.rooms["plant-room"].oxygen < 0.1945),),
        may=(May(condition="tank-leak", start=at), May(condition="compressor-long-run", start=at),
             May(condition="air-fill-stuck", start=at),
             May(condition="air-fill-frequent", start=at)),
        never=(Never(condition="leak-high", trap="the tank leaks, not the riser"),))


@story()
def failed_room_cell(d: Draw) -> Case:
    """The room's oxygen cell is spent and reads 17 %: to be raised all the same, and both
    be said."""
    at = d.instant(HOUR, 2 * HOUR)
    return Case(
        **_small(d), devices=DEVICES, duration=hours(4), wire=Wire(lost=0.01),
        acts=(act(at, "gauge-biased", point="plant-room.oxygen", by=-round(d.between(2.5, 5), 1)),),
        expects=(Expect(condition="room-oxygen-low", asset="plant-room", at=at,
                        within=minutes(5), says=("cell",)),),
        never=(Never(condition="device-silent"),))


@story()
def passing_breath_at_the_room_cell(d: Draw) -> Case:
    """Healthy air, a noisy cell and a road that loses one poll in twenty."""
    return Case(
        **_small(d), devices=(ROOM, CONTROLLER), duration=hours(20),
        wire=Wire(lost=0.05, repeated=0.02, late=0.01),
        never=(Never(condition="room-oxygen-low"), Never(condition="device-silent")))


@story()
def service_by_the_hours(d: Draw) -> Case:
    """The running hours reach the 2000 at which service is planned."""
    case = _small(d, leak=0.5)
    hours_left = d.between(0.4, 0.8)
    case["tables"]["generators"][0]["running_hours"] = 2000 - hours_left  # type: ignore[index]
    case["site"]["generators"][0] |= PLAN  # type: ignore[index]
    return Case(
        **case, devices=(CONTROLLER,), duration=hours(10), wire=Wire(lost=0.01),
        expects=(Expect(condition="service-due", asset="gen1", within=hours(1),
                        early=30 * MINUTE, slow=True,
                        when=lambda p: p.generators["gen1"].run_seconds >= 2000 * 3600),),
        may=(May(condition="leak-high"), May(condition="leak-growing")))


@story()
def replaced_hour_counter(d: Draw) -> Case:
    """The controller is exchanged: its hour counter begins at zero again, long before service."""
    case = _small(d, leak=0.5)
    case["tables"]["generators"][0]["running_hours"] = 1200  # type: ignore[index]
    case["site"]["generators"][0] |= PLAN  # type: ignore[index]
    return Case(
        **case, devices=(CONTROLLER,), duration=hours(10),
        acts=(act(d.instant(2 * HOUR, 3 * HOUR), "counter-reset", generator="gen1"),),
        may=(May(condition="leak-high"), May(condition="leak-growing")),
        never=(Never(condition="service-due",
                     trap="a counter that was replaced or rolled over"),
               Never(condition="data-frozen"), Never(condition="compressor-short-cycling")))
