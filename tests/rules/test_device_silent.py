"""device-silent, its trap, and what a silence must not be taken for."""

from __future__ import annotations

import json

from collector.app.monitor import SiteMonitor
from collector.domain.readings import Quality
from tests.rules.support import (
    HOUR,
    MINUTE,
    SECOND,
    T0,
    Story,
    plant,
    series,
    settings,
    stale,
    story,
)

C = "device-silent"
TWO = {"left": (5 * SECOND, ("gen1.tank_pressure",)), "right": (5 * SECOND, ("r1.pressure",))}


def test_no_answer_for_six_polls():
    s = story(plant(devices=TWO))
    s.feed(series({"gen1.tank_pressure": lambda at: 70 if at < MINUTE else None,
                   "r1.pressure": 25}, end=5 * MINUTE))
    assert s.moves(C) == [("raised", 55 * SECOND + 31 * SECOND)]
    event = s.alarms(C)[0]
    assert (event.asset, event.since) == ("left", T0 + 55 * SECOND)
    assert event.values["limit_seconds"] == 30.0
    s.feed(series({"gen1.tank_pressure": 70, "r1.pressure": 25}, start=5 * MINUTE, end=6 * MINUTE))
    assert s.moves(C)[-1] == ("returned", 5 * MINUTE + SECOND)


def test_answers_that_cannot_be_used_are_none():
    s = story(plant(devices=TWO))
    s.feed(series({"gen1.tank_pressure": 70, "r1.pressure": 25}, end=MINUTE))
    rows = series({"gen1.tank_pressure": 70, "r1.pressure": 25}, start=MINUTE, end=3 * MINUTE)
    s.feed(r if r.point == "r1.pressure" else stale([r])[0] for r in rows)
    assert [e.asset for e in s.alarms(C)] == ["left"]


def test_a_device_that_never_answered():
    s = story(plant(devices=TWO))
    s.feed(series({"r1.pressure": 25}, end=2 * MINUTE))
    assert s.moves(C) == [("raised", 31 * SECOND)]
    assert "it has never answered" in s.alarms(C)[0].text


def test_a_slow_device_has_a_longer_limit():
    s = story(plant(devices={**TWO, "left": (MINUTE, ("gen1.tank_pressure",))}))
    s.feed(series({"gen1.tank_pressure": lambda at: 70 if at == 0 else None, "r1.pressure": 25},
                  end=10 * MINUTE))
    assert s.moves(C) == [("raised", 6 * MINUTE + SECOND)]


def test_trap_a_steady_plant_is_not_silent():
    s = story(plant(devices=TWO))
    s.feed(series({"gen1.tank_pressure": 70, "r1.pressure": 25}, end=2 * HOUR))
    assert s.moves(C) == []


def test_without_devices_a_thing_whose_rows_stop_is_silent():
    s = story()
    s.feed(series({"gen1.tank_pressure": lambda at: 70 if at < 30 * MINUTE else None,
                   "r1.pressure": 25}, end=HOUR, every=10 * SECOND))
    (what, at), = s.moves(C)
    assert what == "raised"
    assert 30 * MINUTE + 50 * SECOND - 10 * SECOND < at < 30 * MINUTE + 61 * SECOND
    assert "usual spacing of its readings" in s.alarms(C)[0].text


def test_the_watch_being_down_is_nobodys_silence():
    s = story(plant(devices=TWO))
    s.feed(series({"gen1.tank_pressure": 70, "r1.pressure": 25}, end=MINUTE)).advance(MINUTE)
    state = json.loads(json.dumps(s.monitor.dump()))
    again = Story(SiteMonitor(plant=plant(devices=TWO), settings=settings()), [])
    again.monitor.load(state, [])
    again.advance(HOUR)
    again.feed(series({"gen1.tank_pressure": 70, "r1.pressure": 25},
                      start=HOUR + 3 * SECOND, end=HOUR + MINUTE))
    assert again.moves(C) == []


def test_a_device_that_died_while_the_watch_was_down_is_found_after_it():
    s = story(plant(devices=TWO))
    s.feed(series({"gen1.tank_pressure": 70, "r1.pressure": 25}, end=MINUTE)).advance(MINUTE)
    again = Story(SiteMonitor(plant=plant(devices=TWO), settings=settings()), [])
    again.monitor.load(s.monitor.dump(), [])
    again.advance(HOUR)
    again.feed(series({"r1.pressure": 25}, start=HOUR, end=HOUR + MINUTE))
    assert again.moves(C) == [("raised", HOUR + 26 * SECOND)]


def test_silence_explains_what_depends_on_it():
    s = story(plant(devices={"io": (5000, ("r1.pressure", "gen1.compressor_running"))}))
    s.feed(series({"r1.pressure": 25, "gen1.compressor_running": 1}, end=5 * MINUTE))
    s.feed(stale(series({"r1.pressure": 0}, start=5 * MINUTE, end=HOUR)))
    assert {e.condition for e in s.events if hasattr(e, "condition")} == {C}
    because = {v.condition: v.because for v in s.monitor.evaluations() if v.state == "unknown"}
    assert because["compressor-long-run"] == "io does not answer"


def test_a_bad_point_of_an_answering_device_is_not_its_silence():
    points = ("r1.pressure", "gen1.tank_pressure")
    s = story(plant(devices={"io": (5000, points)}))
    rows = series({p: 25 for p in points}, end=10 * MINUTE)
    s.feed(r if r.point == "gen1.tank_pressure" else stale([r])[0] for r in rows)
    assert s.moves(C) == []
    assert all(r.quality is Quality.GOOD for r in rows)
    low = [v for v in s.monitor.evaluations() if v.condition == "pressure-low"]
    assert low[0].because == "no usable supervisory pressure yet"
