"""Impossible and unlikely readings, and no doubt that hides an alarm."""

from dataclasses import replace
from datetime import date

import pytest

from collector.commissioning.plausible import Growth, Plausibility
from collector.domain.plant import Generator, Plant, Riser, Room, Site, Vent
from collector.domain.readings import Reading
from collector.domain.units import HOUR, MINUTE

GEN = Generator(id="gen1", name="gen1", cut_in=60, cut_out=80, air_fill_below=55)
PLANT = Plant(
    site=Site(id="s", name="s", timezone="UTC"), generators={"gen1": GEN},
    risers={"r1": Riser(id="r1", name="r1", fed_by="gen1", supervisory_pressure=25,
                        low_pressure=18, high_pressure=40)},
    vents={"v1": Vent(id="v1", name="v1", riser="r1")},
    rooms={"room": Room(id="room", name="room")},
)
PLAUSIBLE = Plausibility(PLANT)


@pytest.mark.parametrize(("point", "value", "why"), [
    ("gen1.tank_pressure", 715.0, "far above the cut-out of 80 psi"),
    ("gen1.tank_pressure", -9.0, "below the atmosphere"),
    ("r1.pressure", 2512.0, "above what the pipe is tested at"),
    ("gen1.product_oxygen", 1.94686e-38, "less than a field analyser shows"),
    ("gen1.product_oxygen", 0.03, "less than a field analyser shows"),
    ("gen1.product_oxygen", 183.0, "more than air holds"),
    ("v1.oxygen", 0.0, "less than a field analyser shows"),
    ("gen1.cabinet_temperature", 312.0, "outside -40 °F to 194 °F"),
    ("gen1.running_hours", 7.8e8, "longer than any such unit ran"),
    ("gen1.running_hours", 1e-40, "less than a counter can show"),
    ("gen1.start_count", 6876.5, "whole numbers"),
    ("gen1.start_count", 4.5e8, "too many"),
    ("room.oxygen", 78.0, "not the air of a room"),
])
def test_what_cannot_be(point: str, value: float, why: str) -> None:
    assert why in PLAUSIBLE.impossible(point, value, {})


@pytest.mark.parametrize(("point", "value"), [
    # Each of these raises an alarm, or is a plant that is empty, filling, tripped or cold.
    *(("r1.pressure", v) for v in (0.0, 0.1, 2.5, 17.9, 41.0, 96.0, 175.0, 200.0, -0.4)),
    *(("gen1.tank_pressure", v) for v in (0.0, 0.2, 7.1, 31.0, 54.9, 80.0, 99.0)),
    *(("room.oxygen", v) for v in (0.0, 1e-38, 0.02, 12.0, 19.4, 20.9, 23.6)),
    *(("r1.valve_room_temperature", v) for v in (-39.0, -1.0, 3.9)),
    *(("r1.pipe_temperature", v) for v in (-30.0, 75.0)),
    *(("v1.oxygen", v) for v in (20.9, 2.0, 0.1)),
    *(("gen1.product_oxygen", v) for v in (20.9, 0.0, 5.0)),
    ("gen1.running_hours", 0.0), ("gen1.start_count", 0.0),
    ("gen1.trouble", 1.0), ("gen1.mode", 2.0), ("r1.low_air", 1.0),
])
def test_what_must_stay_good(point: str, value: float) -> None:
    assert PLAUSIBLE.impossible(point, value, {"gen1.compressor_running": 0.0}) == ""


def test_an_analyser_at_zero_while_the_compressor_runs_is_none() -> None:
    beside = {"gen1.compressor_running": 1.0}
    assert "less than a field" in PLAUSIBLE.impossible("gen1.product_oxygen", 0.0, beside)


def test_without_a_cut_out_a_tank_may_hold_more() -> None:
    bare = Plausibility(replace(PLANT, generators={"gen1": Generator(id="gen1", name="g")}))
    assert bare.impossible("gen1.tank_pressure", 150.0, {}) == ""
    assert bare.impossible("gen1.tank_pressure", 715.0, {})
    assert bare.usual("gen1.tank_pressure") is None


def test_metric_sites_read_their_own_units() -> None:
    metric = Plausibility(replace(PLANT, site=replace(PLANT.site, units="metric")))
    assert "cut-out of 5.516 bar" in metric.impossible("gen1.tank_pressure", 715.0, {})


@pytest.mark.parametrize(("hours", "starts", "doubted"), [
    (1200.0, 6876.0, False), (12002.0, 412.0, True), (0.1, 6876.0, True), (0.3, 1.0, False),
    (0.0, 0.0, False), (1200.0, 0.0, True), (10446.0, 1921.0, False),
])
def test_hours_and_starts_must_fit(hours: float, starts: float, doubted: bool) -> None:
    found = PLAUSIBLE.unlikely({"gen1.running_hours": hours, "gen1.start_count": starts}, 0)
    assert bool(found) is doubted


def test_more_hours_than_since_the_last_service() -> None:
    served = replace(GEN, last_service=date(2026, 1, 1), last_service_hours=1150.0)
    plausible = Plausibility(replace(PLANT, generators={"gen1": served}))
    now = 1_772_323_200_000  # 2026-03-01T00:00:00Z, 59 days later
    assert plausible.unlikely({"gen1.running_hours": 2500.0}, now) == []
    (doubt,) = plausible.unlikely({"gen1.running_hours": 12002.0}, now)
    assert "last service" in doubt.why


def _course(step: float, *values: tuple[float, float]) -> list[str]:
    growth = Growth({"gen1.running_hours": step})
    return [growth.impossible(Reading(point="gen1.running_hours", asked=0,
                                      time=round(minutes * MINUTE), value=value))
            for minutes, value in values]


def test_hours_of_ten_times_the_scale_grow_too_fast() -> None:
    # A register of tenths of an hour, read as hours: one more every 6 min of running.
    grown = _course(1.0, (0, 12002), (3, 12003), (9, 12004), (15, 12005))
    assert grown[-1].startswith("it grew by")
    assert not any(_course(0.1, (0, 1200.2), (3, 1200.3), (9, 1200.4), (15, 1200.5)))


def test_a_coarse_counter_that_steps_is_right() -> None:
    assert not any(_course(1.0, (0, 12002), (1, 12003), (61, 12004), (120, 12005)))


def test_a_counter_that_goes_back_is_told_once() -> None:
    found = _course(0.1, (0, 1200.2), (1, 3.1), (2, 3.1), (10, 3.2))
    assert found[1].startswith("it went back")
    assert found[2:] == ["", ""]


def test_starts_grow_by_one_in_ten_seconds_at_most() -> None:
    growth = Growth({})
    values = ((0, 812.0), (HOUR, 1100.0), (2 * HOUR, 9000.0))
    found = [growth.impossible(Reading(point="gen1.start_count", asked=0, time=t, value=v))
             for t, v in values]
    assert (found[:2], found[2][:10]) == (["", ""], "it grew by")
