"""The daemon's doubt of first readings: what is held back, what never is, and when it ends."""

from dataclasses import replace
from typing import Any

import pytest

from collector.app.first_readings import FirstReadings, map_digest
from collector.commissioning.first_look import FirstLook
from collector.commissioning.plausible import Doubt, Grade
from collector.domain.events import SystemEvent
from collector.domain.readings import Quality, Reading
from collector.domain.units import HOUR, MINUTE, SECOND
from collector.sources import DAMAGED, Address, ContactLeg, DeviceSettings, PointSettings
from tests.commissioning.test_plausible import PLANT

T0 = 1_772_323_200_000
TANK = PointSettings(point="gen1.tank_pressure", table="input-registers", type="int16", scale=0.1)
PRESSURE = PointSettings(point="r1.pressure", table="input-registers", address=1, type="int16",
                         scale=0.01)
HOURS = PointSettings(point="gen1.running_hours", table="input-registers", address=4,
                      type="uint32", scale=1.0)
TROUBLE = PointSettings(
    point="gen1.trouble", normally_open=ContactLeg(table="coils", address=0),
    normally_closed=ContactLeg(table="coils", address=1))


def device(*points: PointSettings, **keys: Any) -> DeviceSettings:
    return DeviceSettings(id="d", name="The controller", address=Address(kind="tcp"), unit=1,
                          every=5000, points=points, **keys)


class Bench:
    """A gate with what passed it, and a look at the device that finds ``looked``."""

    def __init__(self, settings: DeviceSettings, **keys: Any) -> None:
        self.passed: list[Reading] = []
        self.events: list[SystemEvent] = []
        self.looked: list[Doubt] = []
        self.time = T0
        self.settings = settings
        self.gate = FirstReadings(
            site="s", sink=self.passed.extend, record_event=self.events.append,
            accepted=keys.get("accepted", {}), noted=keys.get("noted", ()))
        self.gate.use(PLANT, [settings])

    async def run(
        self, monkeypatch: pytest.MonkeyPatch, length: int, every: int = 5 * SECOND,
        **values: float | None,
    ) -> list[Reading]:
        """Give readings for ``length`` ms; points are named with _ for the dot."""
        async def look(*_given: Any, **_keys: Any) -> FirstLook:
            return FirstLook(device="d", doubts=list(self.looked))
        monkeypatch.setattr("collector.app.first_readings.look_back", look)
        start, end = len(self.passed), self.time + length
        while self.time < end:
            self.gate.put([reading(name.replace("__", "."), value, self.time)
                           for name, value in values.items()])
            await self.gate.turn(None, self)  # type: ignore[arg-type]
            self.time += every
        return self.passed[start:]

    def now(self) -> int:
        """The gate's clock."""
        return self.time

    def facts(self) -> list[str]:
        return [e.fact.removeprefix("readings-found-") for e in self.events]


def reading(point: str, value: float | None, at: int, **keys: Any) -> Reading:
    keys = keys or ({} if value is not None else {"quality": Quality.STALE, "why": "no reply"})
    return Reading(point=point, asked=at, time=at, value=value, **keys)



async def test_an_impossible_reading_is_not_good_until_it_is_plausible(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = Bench(device(TANK))
    wrong = await bench.run(monkeypatch, 2 * MINUTE, gen1__tank_pressure=715.0)
    assert {r.quality for r in wrong} == {Quality.BAD}
    assert wrong[0].why.startswith("suspect: tank pressure of 715 psi is far above")
    assert bench.facts() == ["implausible"]
    assert bench.events[0].asset == "d"
    right = await bench.run(monkeypatch, MINUTE, gen1__tank_pressure=71.5)
    # Two more than the first, since a wrong order of words gives a usual value now and then.
    assert [r.quality for r in right[:4]] == [Quality.BAD] * 2 + [Quality.GOOD] * 2
    assert bench.facts() == ["implausible", "plausible"]


async def test_an_unlikely_reading_stays_good_and_is_noted(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(device(TANK))
    bench.looked = [Doubt(point="gen1.tank_pressure", grade=Grade.UNLIKELY,
                          why="7.15 psi is unusual",
                          hints=("with scale = 0.1 it would be 71.5 psi",))]
    passed = await bench.run(monkeypatch, 2 * MINUTE, gen1__tank_pressure=7.15)
    assert {r.quality for r in passed} == {Quality.GOOD}
    assert bench.facts() == ["implausible"]
    assert "with scale = 0.1 it would be 71.5 psi" in bench.events[0].text


@pytest.mark.parametrize(("point", "value"), [
    ("r1.pressure", 0.0), ("r1.pressure", 11.4), ("r1.pressure", 96.0), ("r1.pressure", 2.5),
    ("gen1.tank_pressure", 0.0),
])
async def test_what_raises_an_alarm_is_never_held_back(
    monkeypatch: pytest.MonkeyPatch, point: str, value: float,
) -> None:
    bench = Bench(device(TANK, PRESSURE))
    passed = await bench.run(monkeypatch, 2 * HOUR, MINUTE, **{point.replace(".", "__"): value})
    assert {r.quality for r in passed} == {Quality.GOOD}
    assert bench.events == []


async def test_a_map_is_accepted_once_and_a_gauge_that_fails_later_is_not_its_business(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = Bench(device(TANK))
    await bench.run(monkeypatch, 11 * MINUTE, gen1__tank_pressure=71.5)
    assert [e.fact for e in bench.events] == ["register-map-accepted"]
    failed = await bench.run(monkeypatch, MINUTE, gen1__tank_pressure=715.0)
    assert {r.quality for r in failed} == {Quality.GOOD}
    # A restart knows it from the journal; another map is on trial again.
    accepted = {"d": str(bench.events[0].values["map"])}
    for settings, quality in ((bench.settings, Quality.GOOD),
                              (device(replace(TANK, scale=1.0)), Quality.BAD),
                              (replace(bench.settings, unit=2), Quality.BAD)):
        again = Bench(settings, accepted=dict(accepted))
        (first, *_) = await again.run(monkeypatch, MINUTE, gen1__tank_pressure=715.0)
        assert first.quality is quality


async def test_an_empty_plant_says_nothing_of_its_map(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(device(TANK))
    await bench.run(monkeypatch, 3 * HOUR, MINUTE, gen1__tank_pressure=0.0)
    assert bench.events == []
    passed = await bench.run(monkeypatch, 2 * MINUTE, gen1__tank_pressure=715.0)
    assert passed[0].quality is Quality.BAD


async def test_a_counter_of_ten_times_its_scale_shows_as_it_grows(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = Bench(device(HOURS))
    value = 12002.0
    for _ in range(4):  # tenths of an hour, read as hours
        passed = await bench.run(monkeypatch, 6 * MINUTE, 10 * SECOND, gen1__running_hours=value)
        value += 1
    assert passed[-1].quality is Quality.BAD
    assert "it grew by" in passed[-1].why
    assert bench.facts() == ["implausible"]


async def test_a_counter_is_watched_for_a_day(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(device(HOURS))
    await bench.run(monkeypatch, 23 * HOUR, MINUTE, gen1__running_hours=1200.0)
    assert bench.events == []
    await bench.run(monkeypatch, 2 * HOUR, MINUTE, gen1__running_hours=1210.0)
    assert [e.fact for e in bench.events] == ["register-map-accepted"]


async def test_what_is_trusted_is_not_doubted(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(device(TANK, trusted=frozenset({"gen1.tank_pressure"})))
    passed = await bench.run(monkeypatch, 5 * MINUTE, gen1__tank_pressure=715.0)
    assert {r.quality for r in passed} == {Quality.GOOD}
    assert "implausible" not in bench.facts()


async def test_a_register_that_was_refused_from_the_start_is_noted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = Bench(device(TANK))

    def refused(at: int, why: str) -> Reading:
        return reading("gen1.tank_pressure", None, at, quality=Quality.BAD, why=why)
    for at in range(0, 2 * MINUTE, 5 * SECOND):
        bench.gate.put([refused(T0 + at, "the device refuses input-registers 0 of unit 1")])
    bench.time = T0 + 2 * MINUTE
    await bench.run(monkeypatch, SECOND)
    assert bench.facts() == ["implausible"]
    assert "refuses" in bench.events[0].text


@pytest.mark.parametrize("why", ["the device marks it as no value (32767)", "the device gives nan"])
async def test_a_device_that_says_it_has_no_value_is_believed(
    monkeypatch: pytest.MonkeyPatch, why: str,
) -> None:
    bench = Bench(device(TANK))
    for at in range(0, 5 * MINUTE, 5 * SECOND):
        bench.gate.put([reading("gen1.tank_pressure", None, T0 + at, quality=Quality.BAD, why=why)])
    bench.time = T0 + 5 * MINUTE
    await bench.run(monkeypatch, SECOND)
    assert bench.events == []


async def test_after_a_restart_what_is_plausible_again_is_noted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = Bench(device(TANK), noted=["d"])
    await bench.run(monkeypatch, MINUTE, gen1__tank_pressure=71.5)
    assert bench.facts() == ["plausible"]


async def test_another_site_file_keeps_the_trials_of_devices_it_left_as_they_are(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    bench = Bench(device(TANK))
    await bench.run(monkeypatch, 6 * MINUTE, gen1__tank_pressure=71.5)
    bench.gate.use(PLANT, [bench.settings])
    await bench.run(monkeypatch, 5 * MINUTE, gen1__tank_pressure=71.5)
    assert [e.fact for e in bench.events] == ["register-map-accepted"]


def test_the_digest_of_a_map_is_of_its_registers_and_of_nothing_else() -> None:
    base = device(TANK)
    assert map_digest(base) == map_digest(replace(base, every=1000, name="other"))
    assert map_digest(base) != map_digest(device(replace(TANK, address=1)))


@pytest.mark.parametrize(("why", "doubted"), [
    (f"{DAMAGED}reply to read 1 of input-registers 0 broke off after 3 bytes", False),
    ("the device refuses address 0 (exception 2)", True),
])
async def test_a_damaged_reply_is_no_sign_of_a_wrong_map(
        monkeypatch: pytest.MonkeyPatch, why: str, doubted: bool) -> None:
    bench = Bench(device(TANK))
    for _ in range(120):
        bench.gate.put([Reading(point="gen1.tank_pressure", asked=bench.time, time=bench.time,
                                value=None, quality=Quality.BAD, why=why)])
        await bench.run(monkeypatch, 5 * SECOND)
    assert bool(bench.facts()) is doubted


def test_contacts_are_never_doubted() -> None:
    bench = Bench(device(TROUBLE))
    bench.gate.put([reading("gen1.trouble", 1.0, T0), reading("gen1.trouble_no", 1.0, T0)])
    assert {r.quality for r in bench.passed} == {Quality.GOOD}


