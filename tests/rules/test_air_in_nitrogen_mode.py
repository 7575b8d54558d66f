"""air-in-nitrogen-mode, and the traps it must not be fooled by."""

from __future__ import annotations

import pytest

from collector.domain.evaluations import ConditionState
from tests.rules.restarts import with_restart
from tests.rules.support import HOUR, MINUTE, SECOND, between, plant, series, stale, story

OXYGEN, MODE, RUN = "gen1.product_oxygen", "gen1.mode", "gen1.compressor_running"
AIR, HIGH = "air-in-nitrogen-mode", "product-oxygen-high"


def evaluation(s, condition):
    return next(v for v in s.monitor.evaluations() if v.condition == condition)


def after(start: int, then: float, before: float):
    return lambda at: then if at >= start else before


def test_air_is_raised_with_its_numbers():
    s = story().feed(series({MODE: 1, RUN: 1, OXYGEN: after(10 * MINUTE, 20.9, 1.2)},
                            end=20 * MINUTE))
    assert s.moves(AIR) == [("raised", 11 * MINUTE)]
    event = s.alarms(AIR)[0]
    assert event.values["product_oxygen_percent"] == 20.9
    assert "The mode reads nitrogen, but the product holds 20.9 % oxygen" in event.text
    assert "the analyser: is it switched on" in event.text
    assert "can kill without warning" in event.text


def test_air_is_one_alarm_not_two():
    s = story().feed(series({MODE: 1, RUN: 1, OXYGEN: after(10 * MINUTE, 20.9, 1.2)},
                            end=40 * MINUTE))
    assert s.moves(HIGH) == []


def test_air_returns_when_the_product_is_nitrogen_again():
    oxygen = between(10 * MINUTE, 20 * MINUTE, 20.9, 1.2)
    s = story().feed(series({MODE: 1, RUN: 1, OXYGEN: oxygen}, end=30 * MINUTE))
    assert s.moves(AIR) == [("raised", 11 * MINUTE), ("returned", 21 * MINUTE)]


def test_trap_the_first_minutes_after_a_change_of_mode():
    # Air from the fallback lingers for four minutes.
    s = story().feed(series(
        {MODE: after(10 * MINUTE, 1, 2), RUN: 1, OXYGEN: after(14 * MINUTE, 1.5, 20.9)},
        end=HOUR))
    assert s.moves(AIR) == []
    assert s.moves(HIGH) == []


def test_air_that_stays_after_a_change_of_mode_is_raised():
    s = story().feed(series({MODE: after(10 * MINUTE, 1, 2), RUN: 1, OXYGEN: 20.9},
                            end=30 * MINUTE))
    assert s.moves(AIR) == [("raised", 16 * MINUTE)]


def test_air_in_air_fill_is_as_it_should_be():
    s = story().feed(series({MODE: 2, RUN: 1, OXYGEN: 20.9}, end=HOUR))
    assert s.moves(AIR) == s.moves(HIGH) == []


@pytest.mark.parametrize("reading", [0.0, -2.5, 99.9])
def test_trap_an_analyser_that_is_switched_off(reading):
    s = story().feed(series({MODE: 1, RUN: 1, OXYGEN: after(10 * MINUTE, reading, 1.2)},
                            end=HOUR))
    assert s.moves(AIR) == s.moves(HIGH) == []
    assert evaluation(s, AIR).state is ConditionState.UNKNOWN
    assert "switched off" in evaluation(s, AIR).because


def test_trap_an_analyser_that_gives_nothing():
    rows = series({MODE: 1, RUN: 1, OXYGEN: 1.2}, end=10 * MINUTE)
    s = story().feed(rows)
    s.feed(series({MODE: 1, RUN: 1}, start=10 * MINUTE, end=30 * MINUTE))
    assert s.moves(AIR) == []
    assert evaluation(s, AIR).state is ConditionState.UNKNOWN


def test_trap_an_analyser_that_sees_room_air_while_nothing_is_made():
    # It runs for 8 min of every 30, and the sample line breathes in between.
    run = lambda at: float(at % (30 * MINUTE) < 8 * MINUTE)  # noqa: E731
    oxygen = lambda at: 1.2 if 20 * SECOND < at % (30 * MINUTE) <= 8 * MINUTE else 20.9  # noqa: E731
    s = story().feed(series({MODE: 1, RUN: run, OXYGEN: oxygen}, end=3 * HOUR))
    assert s.moves(AIR) == s.moves(HIGH) == []


def test_a_silent_device_answers_unknown():
    s = story().feed(series({MODE: 1, RUN: 1, OXYGEN: 1.2}, end=10 * MINUTE))
    s.feed(stale(series({MODE: 1, RUN: 1, OXYGEN: 1.2}, start=10 * MINUTE, end=20 * MINUTE)))
    assert evaluation(s, AIR).state is ConditionState.UNKNOWN
    assert evaluation(s, HIGH).state is ConditionState.UNKNOWN


def test_a_restart_tells_the_same():
    rows = series({MODE: 1, RUN: 1, OXYGEN: between(10 * MINUTE, 20 * MINUTE, 20.9, 1.2)},
                  end=25 * MINUTE)
    whole = story().feed(rows)
    for at in (2, 100, 361, 370, 390, 721):
        assert with_restart(rows, at).moves(AIR) == whole.moves(AIR)


def test_not_watched_says_what_is_missing():
    s = story(plant(devices={"io": (5000, (RUN,))}))
    assert s.reason(AIR, "gen1") == "no product oxygen and no mode at gen1"
    assert s.reason(HIGH, "gen1") == "no product oxygen at gen1"


def fast_tank(since: int, mode: float = 1.0):
    """Return a tank that a run fills from 60 to 80 psi in 400 s; in 100 s from ``since`` on."""
    def on(at: int) -> float:
        return float(at % HOUR < (100 if at >= since else 400) * SECOND)

    def tank(at: int) -> float:
        passed, fill = at % HOUR / SECOND, 100 if at >= since else 400
        return 60 + 20 * passed / fill if passed < fill else 80 - 20 * (passed - fill) / (
            3600 - fill)

    analyser = lambda at: 20.9 if on(at) and at % HOUR > 200 * SECOND else 1.0  # noqa: E731
    return {RUN: on, "gen1.tank_pressure": tank, MODE: mode,
            OXYGEN: lambda at: 1.0 if at < since else analyser(at)}


def test_a_tank_that_fills_four_times_as_fast_is_filled_with_air():
    s = story(air_in_nitrogen_mode={"warm_up": 3 * MINUTE})
    s.feed(series(fast_tank(12 * HOUR), end=16 * HOUR, every=10 * SECOND))
    (what, when), = s.moves(AIR)
    assert what == "raised"
    assert 13 * HOUR < when < 14 * HOUR + 10 * MINUTE
    assert "times as fast as this unit can make nitrogen" in s.alarms(AIR)[0].text


def test_trap_a_fast_fill_in_air_fill_is_as_it_should_be():
    s = story(air_in_nitrogen_mode={"warm_up": 3 * MINUTE}, air_fill_stuck={"enabled": False})
    tank = fast_tank(12 * HOUR)
    tank[MODE] = lambda at: 2.0 if at >= 12 * HOUR else 1.0
    s.feed(series(tank, end=16 * HOUR, every=10 * SECOND))
    assert s.moves(AIR) == []
