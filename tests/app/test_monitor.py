"""The watch as a whole: restarts, batches and repeats all tell the same story."""

from __future__ import annotations

import json
import random

import pytest

from collector.app.monitor import SiteMonitor
from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.errors import ActionRefused
from collector.domain.events import AlarmTransition, event_to_json
from collector.domain.readings import Reading
from tests.rules.support import (
    DAY,
    HOUR,
    MINUTE,
    SECOND,
    T0,
    Story,
    between,
    plant,
    series,
    settings,
    stale,
    story,
)

POINTS = ("gen1.compressor_running", "gen1.mode", "gen1.tank_pressure", "gen1.start_count",
          "gen1.trouble_no", "gen1.trouble_nc", "r1.pressure", "r1.low_air", "r1-vent.oxygen")


def rough(seed: int, hours: int = 3) -> list[Reading]:
    """A plant in which everything goes wrong now and then: gaps, silence, bad and late rows."""
    rng = random.Random(seed)
    state = dict.fromkeys(POINTS, 0.0) | {"gen1.mode": 1.0, "r1.pressure": 25.0,
                                          "gen1.trouble_nc": 1.0, "r1-vent.oxygen": 15.0}
    rows: list[Reading] = []
    at, hole = 0, 0
    while at < hours * HOUR:
        at += 5 * SECOND + rng.randint(-300, 300)
        if rng.random() < 0.004:
            state["gen1.compressor_running"] = float(rng.random() < 0.7)
            state["gen1.start_count"] += state["gen1.compressor_running"]
        if rng.random() < 0.003:
            state["gen1.mode"] = float(rng.choice([1, 2, 2]))
        if rng.random() < 0.005:
            state["r1.pressure"] = rng.choice([12.0, 17.8, 18.3, 25.0])
        if rng.random() < 0.003:
            state["gen1.trouble_nc"] = float(rng.random() < 0.5)
        if rng.random() < 0.002:
            hole = at + rng.randint(0, 20) * MINUTE
        state["gen1.tank_pressure"] = 60 + 25 * rng.random()
        for point, value in state.items():
            row = Reading(point=point, asked=T0 + at, time=T0 + at, value=value)
            gone = at < hole and point.startswith("gen1")
            if gone or rng.random() < 0.02:
                row = stale([row])[0]
            if rng.random() > 0.01:
                rows.append(row)
    return rows


def lines(events) -> list[str]:
    return [event_to_json(e) for e in events]


DEVICES = {"controller": (5 * SECOND, POINTS[:6]), "riser-io": (5 * SECOND, POINTS[6:])}


@pytest.mark.parametrize("seed", range(3))
def test_the_same_readings_give_the_same_bytes(seed):
    rows = rough(seed)
    first = lines(story(plant(devices=DEVICES)).feed(rows).events)
    assert first == lines(story(plant(devices=DEVICES)).feed(rows).events)
    assert len(first) > 5


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("devices", [None, DEVICES])
def test_one_by_one_or_in_batches(seed, devices):
    rows = rough(seed)
    whole = story(plant(devices=devices)).feed(rows)
    single = story(plant(devices=devices))
    for row in rows:
        single.feed([row])
    live = story(plant(devices=devices))
    second = T0
    for row in rows:
        # As the daemon does it: between readings it moves on with its clock.
        while second + SECOND < row.time:
            second += SECOND
            live.advance(second - T0)
        live.feed([row])
    assert lines(single.events) == lines(whole.events)
    assert lines(live.events) == lines(whole.events)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("devices", [None, DEVICES])
def test_a_restart_anywhere_changes_nothing(seed, devices):
    rows = rough(seed)
    expected = lines(story(plant(devices=devices)).feed(rows).events)
    rng = random.Random(seed + 100)
    monitor = SiteMonitor(plant=plant(devices=devices), settings=settings())
    said, fed = [], 0
    for cut in sorted(rng.sample(range(len(rows)), 40)) + [len(rows)]:
        said += monitor.feed(rows[fed:cut])
        fed = cut
        state = json.loads(json.dumps(monitor.dump()))
        monitor = SiteMonitor(plant=plant(devices=devices), settings=settings())
        monitor.load(state, [e for e in said if isinstance(e, AlarmTransition)])
    assert lines(said) == expected


@pytest.mark.parametrize("seed", range(4))
def test_a_crash_anywhere_is_caught_up_with(seed):
    """Snapshot, more commits, crash: what is fed again moves the rules and not the alarms."""
    rows = rough(seed)
    expected = lines(story(plant(devices=DEVICES)).feed(rows).events)
    rng = random.Random(seed + 200)
    for _ in range(5):
        snap, crash = sorted(rng.sample(range(len(rows)), 2))
        crash = min(crash, snap + 400)
        monitor = SiteMonitor(plant=plant(devices=DEVICES), settings=settings())
        said = monitor.feed(rows[:snap])
        state = json.loads(json.dumps(monitor.dump()))
        said += monitor.feed(rows[snap:crash])
        alarms = monitor.alarms()
        again = SiteMonitor(plant=plant(devices=DEVICES), settings=settings())
        again.load(state, [e for e in said if isinstance(e, AlarmTransition)])
        again.catch_up(rows[snap:crash])
        assert again.alarms() == alarms
        said += again.feed(rows[crash:])
        assert lines(said) == expected


def test_a_run_that_began_before_the_restart_keeps_its_true_start():
    first = series({"gen1.compressor_running": between(MINUTE, HOUR)}, end=8 * MINUTE)
    then = series({"gen1.compressor_running": 1}, start=8 * MINUTE, end=20 * MINUTE)
    s = story(compressor_long_run={"limit": 12 * MINUTE}).feed(first)
    again = Story(SiteMonitor(plant=plant(), settings=settings(
        compressor_long_run={"limit": 12 * MINUTE})), [])
    again.monitor.load(json.loads(json.dumps(s.monitor.dump())), [])
    again.feed(then)
    assert again.moves("compressor-long-run") == [("raised", 13 * MINUTE + 5 * SECOND)]
    assert again.alarms("compressor-long-run")[0].values["at_least"] == 0


def test_a_condition_switched_off_in_the_site_file_returns():
    s = story().feed(series({"r1.pressure": 15}, end=MINUTE))
    again = Story(SiteMonitor(plant=plant(), settings=settings(pressure_low={"enabled": False})),
                  [])
    again.monitor.load(s.monitor.dump(), s.alarms("pressure-low"))
    again.feed(series({"r1.pressure": 15}, start=MINUTE, end=2 * MINUTE))
    assert [m for m, _ in again.moves("pressure-low")] == ["returned"]
    assert "no longer watched" in again.alarms("pressure-low")[0].text


def test_an_action_is_refused_or_told():
    s = story().feed(series({"r1.pressure": 15}, end=MINUTE))
    alarm = s.monitor.alarms()[0].id
    done = s.monitor.act(OperatorAction(kind=ActionKind.ACKNOWLEDGE, alarm=alarm, time=T0 + MINUTE,
                                        by="kim"))
    assert lines(done)[0].count('"transition":"acknowledged"') == 1
    with pytest.raises(ActionRefused):
        s.monitor.act(OperatorAction(kind=ActionKind.ACKNOWLEDGE, alarm=alarm, time=T0 + MINUTE,
                                     by="kim"))


def test_a_shelf_ends_on_a_tick_without_any_reading():
    s = story().feed(series({"r1.pressure": 15}, end=MINUTE))
    s.events += s.monitor.act(OperatorAction(
        kind=ActionKind.SHELVE, alarm="pressure-low.r1", time=T0 + MINUTE, by="kim", why="test",
        until=T0 + 30 * MINUTE + 1))
    s.advance(HOUR)
    assert s.moves("pressure-low")[-2:] == [
        ("unshelved", 30 * MINUTE + SECOND), ("raised", 30 * MINUTE + SECOND)]


def test_the_board_sees_the_numbers_of_now():
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(series({"gen1.compressor_running": between(MINUTE, HOUR)}, end=40 * MINUTE))
    assert s.monitor.alarms()[0].values["run_minutes"] > 38
    assert s.alarms("compressor-long-run")[0].values["run_minutes"] == 12.1


def test_nothing_to_say_of_nothing():
    monitor = SiteMonitor(plant=plant(), settings=settings())
    assert monitor.feed([]) == []
    assert monitor.alarms() == []
    assert monitor.evaluations() == []
    monitor.load({}, [])
    assert "fenmoor" in repr(monitor)
    assert monitor.advance(T0) == []
    assert not [e for e in monitor.advance(T0 + DAY) if isinstance(e, AlarmTransition)]


@pytest.mark.parametrize("waited", [SECOND, 40 * SECOND, 25 * MINUTE])
def test_a_watch_that_waited_for_its_first_reading_says_what_a_replay_says(waited: int) -> None:
    devices = {"left": (5 * SECOND, ("gen1.compressor_running", "gen1.tank_pressure")),
               "right": (5 * SECOND, ("r1.pressure",))}
    rows = series({"gen1.compressor_running": lambda at: float(at % HOUR < 15 * MINUTE),
                   "gen1.tank_pressure": lambda at: 60 + at % HOUR / HOUR,
                   "r1.pressure": None}, start=30 * MINUTE, end=26 * HOUR, every=30 * SECOND)
    live = story(plant(devices=devices)).advance(30 * MINUTE - waited).feed(rows)
    replayed = story(plant(devices=devices)).feed(rows)
    assert [event_to_json(e) for e in live.events] == [event_to_json(e) for e in replayed.events]
    assert [m for m, _ in live.moves("device-silent", "right")] == ["raised"]
    assert live.estimates("compressor-duty")[0].window[0] == T0 + 30 * MINUTE
