"""pressure-falling-fast and its traps: a dropped decimal, a sensor that fell to zero in one."""

from __future__ import annotations

import json
import math
import random
from dataclasses import replace

import pytest

from collector.domain.plant import Riser, Vent
from collector.rules.base import Context
from collector.rules.falling import explained_rate
from collector.rules.inputs import Inputs
from collector.rules.wording import Words
from simulators.record import rows
from simulators.scenario import Act, load_scenario
from simulators.stage import Stage
from tests.rules.support import DAY, HOUR, MINUTE, SECOND, T0, plant, series, settings, story

P, TANK, LOW = "r1.pressure", "gen1.tank_pressure", "r1.low_air"
C = "pressure-falling-fast"


def burst(at, begin=MINUTE, tau=24 * SECOND, start=25.0):
    """A pipe that empties through a hole: absolute pressure fades, gauge stops at 0."""
    passed = max(at - begin, 0)
    return round(max((start + 14.7) * math.exp(-passed / tau) - 14.7, 0.0), 2)


@pytest.mark.parametrize("every", [1, 2, 5, 10, 30, 60])
@pytest.mark.parametrize("phase", [0.0, 0.3, 0.9])
def test_an_open_head_is_raised_within_the_delay_and_two_polls(every, phase):
    begin = 10 * MINUTE + int(phase * every * SECOND)
    s = story().feed(series({P: lambda t: burst(t, begin)}, end=14 * MINUTE, every=every * SECOND))
    (what, at), = s.moves(C)
    assert what == "raised"
    # One more second for the grid of the evaluation.
    assert at - begin <= 5 * SECOND + 2 * every * SECOND + SECOND


def test_a_curve_is_gas_and_the_message_says_how_much():
    s = story().feed(series({P: burst}, end=5 * MINUTE, every=2 * SECOND))
    event = s.alarms(C)[0]
    assert (event.values["cause"], event.values["from_psi"]) == ("pressure", 25.0)
    assert event.since == T0 + MINUTE
    assert "It went from 25.0 psi" in event.text
    assert "impairment" in event.text
    assert "the pressure sensor" in event.text.split("Check in this order")[1].split("5)")[1]


def test_slower_than_a_burst_but_faster_than_any_leak():
    # 1.5 psi/min: a drain cracked open.
    fall = lambda t: 25 - max(t - HOUR, 0) / MINUTE * 1.5 if t < HOUR + 8 * MINUTE else 13  # noqa: E731
    rng = random.Random(3)
    s = story().feed(series({P: lambda t: round(fall(t) + rng.gauss(0, 0.015), 2)},
                            end=2 * HOUR, every=SECOND * 10))
    (what, at), = s.moves(C)
    assert what == "raised"
    assert HOUR < at < HOUR + 2 * MINUTE


def test_trap_a_dropped_decimal():
    shape = lambda t: 2.5 if t == 10 * MINUTE else 25.0  # noqa: E731
    assert story().feed(series({P: shape}, end=HOUR)).moves(C) == []


@pytest.mark.parametrize("apart", [1, 2, 6, 30])
def test_trap_a_reading_too_high_before_a_dropped_decimal(apart):
    strange = {10 * MINUTE: 100.0, 10 * MINUTE + apart * 5 * SECOND: 2.5}
    s = story().feed(series({P: lambda t: strange.get(t, 24.9)}, end=HOUR))
    assert s.moves(C) == []


def test_a_pipe_that_is_topped_up_and_bursts_at_once_is_caught():
    shape = lambda t: 24.0 if t < MINUTE else burst(t, begin=MINUTE + 5 * SECOND)  # noqa: E731
    s = story().feed(series({P: shape}, end=HOUR))
    (what, at), = s.moves(C)
    assert what == "raised"
    assert at <= MINUTE + 25 * SECOND


def test_trap_a_dropped_decimal_that_stays_is_no_fall():
    shape = lambda t: 25.0 if t < 10 * MINUTE else 2.5  # noqa: E731
    s = story().feed(series({P: shape}, end=HOUR))
    assert s.moves(C) == []
    assert [m for m, _ in s.moves("pressure-low")] == ["raised"]


def test_trap_one_sample_at_zero():
    shape = lambda t: 0.0 if t == 10 * MINUTE else 25.0  # noqa: E731
    assert story().feed(series({P: shape}, end=HOUR)).moves(C) == []


@pytest.mark.parametrize("every", [1, 5, 10])
def test_trap_a_sensor_that_fell_to_zero_in_one_sample_is_left_to_low_pressure(every):
    shape = lambda t: 25.0 if t < 10 * MINUTE else 0.0  # noqa: E731
    s = story().feed(series({P: shape, TANK: 74.0}, end=HOUR, every=every * SECOND))
    assert s.moves(C) == []
    event, = s.alarms("pressure-low")
    assert event.values["cause"] == "sensor"
    assert "It fell from 25.0 psi from one reading to the next" in event.text
    assert "likely the sensor. Take it for real until somebody has looked." in event.text
    assert "1) the pressure sensor" in event.text
    assert "2) an open head" in event.text


def test_a_fall_to_zero_in_one_sample_becomes_gas_when_the_tank_follows():
    shape = lambda t: 25.0 if t < 10 * MINUTE else 0.0  # noqa: E731
    tank = lambda t: 74.0 - max(0, t - 12 * MINUTE) / MINUTE * 5  # noqa: E731
    s = story().feed(series({P: shape, TANK: tank}, end=15 * MINUTE, every=5 * SECOND))
    event, = s.alarms(C)
    assert event.values["cause"] == "pressure"
    assert 12 * MINUTE < s.moves(C)[0][1] < 13 * MINUTE


def test_trap_a_sensor_at_zero_is_raised_here_where_no_low_limit_is_set():
    the_plant = plant(riser=Riser(id="r1", name="Dock riser", fed_by="gen1"))
    shape = lambda t: 25.0 if t < 10 * MINUTE else 0.0  # noqa: E731
    s = story(the_plant).feed(series({P: shape, TANK: 74.0}, end=HOUR, every=5 * SECOND))
    event, = s.alarms(C)
    assert event.values["cause"] == "sensor"


@pytest.mark.parametrize("every", [20, 60])
def test_trap_a_sensor_at_zero_between_slow_polls_is_called_a_sensor(every):
    shape = lambda t: 25.0 if t < 10 * MINUTE else 0.0  # noqa: E731
    s = story().feed(series({P: shape, TANK: 74.0}, end=HOUR, every=every * SECOND))
    event, = s.alarms(C)
    assert event.values["cause"] == "sensor"
    assert "likely the sensor" in event.text
    assert "1) the pressure sensor" in event.text


def test_zero_between_two_slow_polls_is_gas_when_the_switch_says_so():
    shape = lambda t: 25.0 if t < 10 * MINUTE else 0.0  # noqa: E731
    s = story().feed(series({P: shape, LOW: lambda t: float(t > 10 * MINUTE)}, end=HOUR,
                            every=MINUTE))
    event, = s.alarms(C)
    assert event.values["cause"] == "pressure"
    assert "the low-air switch says so too" in event.text


def test_zero_between_two_slow_polls_is_gas_when_the_tank_fell_too():
    s = story().feed(series({P: lambda t: burst(t, tau=8 * SECOND),
                             TANK: lambda t: 74.0 - max(0, t - MINUTE) / MINUTE * 5},
                            end=5 * MINUTE, every=MINUTE))
    assert s.alarms(C)[0].values["cause"] == "pressure"


def test_trap_saw_tooth_noise_and_the_day():
    rng = random.Random(1)
    tooth = lambda t: 25 - 0.4 * (t % (40 * MINUTE)) / (40 * MINUTE)  # noqa: E731
    day = lambda t: 2 * math.sin(2 * math.pi * t / DAY)  # noqa: E731
    shape = lambda t: round(tooth(t) + day(t) + rng.gauss(0, 0.05), 2)  # noqa: E731
    s = story().feed(series({P: shape}, end=4 * DAY, every=20 * SECOND))
    assert s.moves(C) == []


def test_returns_when_the_pipe_is_filled_again():
    shape = lambda t: burst(t) if t < 10 * MINUTE else min(25.0, (t - 10 * MINUTE) / MINUTE)  # noqa: E731
    s = story().feed(series({P: shape}, end=HOUR))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]
    assert s.moves(C)[1][1] > 20 * MINUTE


def test_a_low_point_drained_at_length_is_named_and_returns_by_itself():
    def drained(t):
        gone = min(max(t - 10 * MINUTE, 0) / MINUTE, 1.0) * 2.8
        return round(25.0 - gone + min(max(t - 12 * MINUTE, 0) / MINUTE * 0.2, gone), 2)
    s = story().feed(series({P: drained}, end=HOUR, every=10 * SECOND))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]
    assert "A low point that is being drained looks so at first" in s.alarms(C)[0].text
    assert "returns once half is back" in s.alarms(C)[0].text


@pytest.mark.parametrize("step", [0.2, 0.5, 1.0])
def test_trap_low_points_drained_beneath_the_noise_of_a_gauge(step):
    rng = random.Random(7)

    def shape(t):
        gone = 1.5 * min(max(t % DAY - HOUR, 0) / (20 * SECOND), 1.0) if t % DAY < 2 * HOUR else 0
        return round((25.0 - gone + rng.gauss(0, 0.25)) / step) * step
    s = story().feed(series({P: shape}, end=5 * DAY, every=15 * SECOND))
    assert s.moves(C) == []


@pytest.mark.parametrize("every", [5, 20])
def test_a_dead_sensor_that_comes_back_returns(every):
    shape = lambda t: 0.0 if 10 * MINUTE <= t < 20 * MINUTE else 25.0  # noqa: E731
    s = story().feed(series({P: shape}, end=HOUR, every=every * SECOND))
    assert [m for m, _ in s.moves(C)] == (["raised", "returned"] if every > 10 else [])
    assert [m for m, _ in s.moves("pressure-low")] == ["raised", "returned"]


def test_leaving_out_quiet_samples_changes_nothing():
    rng = random.Random(9)
    noisy = [round(burst(t, 20 * MINUTE) + rng.gauss(0, 0.03), 2)
             for t in range(0, 30 * MINUTE, 5 * SECOND)]
    said = []
    for skip in (True, False):
        s = story()
        slot = next(x for x in s.monitor._engine.rules.runtimes if x.rule.condition == C)
        if not skip:
            slot.rule.no_change_band = lambda point: None
        s.feed(series({P: lambda t: noisy[t // (5 * SECOND)]}, end=30 * MINUTE))
        said.append((s.moves(C), slot.rule.dump()))
    assert said[0] == said[1]


def test_survives_a_restart_anywhere():
    readings = series({P: burst}, end=5 * MINUTE, every=5 * SECOND)
    whole = story().feed(readings).moves(C)
    for cut in range(1, len(readings)):
        first = story().feed(readings[:cut])
        state = json.loads(json.dumps(first.monitor.dump()))
        second = story()
        second.monitor.load(state, first.alarms(C))
        second.feed(readings[cut:])
        assert first.moves(C) + second.moves(C) == whole


def test_the_limit_follows_the_vent_of_a_small_pipe():
    scfm = 0.028316847 / 60 * 101325 / (8.314462618 * 288.7056)
    the_plant = plant(riser=Riser(id="r1", name="r", fed_by="gen1", volume=0.1),
                      vent=Vent(id="r1-vent", name="v", riser="r1", flow=0.35 * scfm))
    context = Context(plant=the_plant, settings=settings(), words=Words(the_plant),
                      inputs=Inputs(the_plant, settings()))
    # 0.35 scfm is 0.35 * 0.02832 m3 at 1 atm a minute: 1.46 psi out of 0.1 m3; three times that.
    assert explained_rate(context, "r1") == pytest.approx(3 * 1.46 * 293.15 / 288.7, rel=0.01)


def test_not_watched_without_a_sensor():
    s = story(plant(devices={"io": (5000, ("gen1.mode",))}))
    assert s.reason(C, "r1") == "no supervisory pressure at r1"


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("every", [1, 10, 60])
def test_the_bundled_plant_trips_and_is_caught(seed, every):
    begin = 30 * MINUTE + 400 * (seed + 1)
    scenario = replace(load_scenario("tripped-riser", seed=seed), acts=(
        Act(at=begin, fault="riser-trip", on=True, params={"riser": "r1", "flow": "300 scfm"}),))
    start = scenario.plant.start
    readings = [(t - start, p, v) for t, p, v in rows(Stage(scenario), 35 * MINUTE, every * SECOND)
                if p in (P, "r2.pressure", TANK)]
    by_time = {(t, p): v for t, p, v in readings}
    s = story(plant(riser=Riser(id="r1", name="Dock", fed_by="gen1", volume=1.3)))
    s.feed(series({p: (lambda t, p=p: by_time.get((t, p))) for p in (P, TANK)},
                  end=35 * MINUTE, every=every * SECOND))
    (what, at), = s.moves(C)
    assert what == "raised"
    assert at - begin <= 5 * SECOND + 2 * every * SECOND + SECOND
    assert s.alarms(C)[0].values["cause"] == "pressure" or every == 60
