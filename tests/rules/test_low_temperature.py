"""low-temperature and its traps."""

from __future__ import annotations

import json

from tests.rules.support import HOUR, MINUTE, SECOND, between, plant, series, story

T, PIPE = "r1.valve_room_temperature", "r1.pipe_temperature"
C = "low-temperature"


def test_raised_past_its_delay_and_returned_past_its_deadband():
    shape = lambda at: 10 if at < MINUTE else 3.5 if at < HOUR else 5.0 if at < 2 * HOUR else 6  # noqa: E731
    s = story().feed(series({T: shape}, end=3 * HOUR))
    # 5 degC is above the limit, but within the deadband: not back to normal.
    assert s.moves(C) == [("raised", 2 * MINUTE), ("returned", 2 * HOUR + MINUTE)]
    event = s.alarms(C)[0]
    assert event.values == {"temperature_degc": 3.5, "limit_degc": 4.4}
    assert "The valve room is at 38 °F; the limit is 40 °F." in event.text
    assert (event.signal, event.priority) == ("supervisory", "high")


def test_metric_sites_read_degrees_celsius():
    s = story(plant(units="metric")).feed(series({T: 2}, end=5 * MINUTE))
    assert "at 2.0 °C; the limit is 4.0 °C" in s.alarms(C)[0].text


def test_the_default_is_the_published_one():
    # NFPA 25 (2014) as a checklist quotes it: 40 F (4 C). Each site is held to the one it reads.
    def raised(units, degc):
        return bool(story(plant(units=units)).feed(series({T: degc}, end=5 * MINUTE)).moves(C))

    assert (raised("us", 4.4), raised("us", 4.5)) == (True, False)
    assert (raised("metric", 3.9), raised("metric", 4.1)) == (True, False)


def test_trap_one_sample():
    s = story().feed(series({T: between(HOUR, HOUR + 5 * SECOND, -40, 10)}, end=2 * HOUR))
    assert s.moves(C) == []


def test_trap_the_pipe_of_a_freezer_is_meant_to_be_cold():
    s = story().feed(series({T: 12, PIPE: -28}, end=2 * HOUR))
    assert s.moves(C) == []


def test_a_freezer_with_no_sensor_in_the_valve_room_is_not_watched():
    s = story(plant(devices={"io": (5000, (PIPE,))}))
    assert s.reason(C, "r1") == "no valve-room temperature at r1"
    s.feed(series({PIPE: -28}, end=HOUR))
    assert s.moves(C) == []


def test_survives_a_restart_between_limit_and_delay():
    readings = series({T: 2}, end=5 * MINUTE)
    first = story().feed(readings[:6])
    second = story()
    second.monitor.load(json.loads(json.dumps(first.monitor.dump())), first.alarms(C))
    second.feed(readings[6:])
    assert first.moves(C) + second.moves(C) == [("raised", MINUTE)]
