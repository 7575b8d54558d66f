"""power-lost: the contact alone must do; bounce moves nothing."""

from __future__ import annotations

import json

import pytest

from collector.app.monitor import SiteMonitor
from tests.rules.support import (
    HOUR,
    MINUTE,
    SECOND,
    T0,
    Story,
    between,
    plant,
    series,
    settings,
    story,
)

C, POWER = "power-lost", "gen1.power"
ALONE = {"io": (5 * SECOND, (POWER,))}


def test_a_dry_contact_alone_does():
    s = story(plant(devices=ALONE)).feed(series({POWER: between(MINUTE, HOUR, 0, 1)},
                                                end=2 * HOUR))
    # Two readings of it: the second one comes 5 s after the first, the on-delay is 5 s too.
    assert s.moves(C) == [("raised", MINUTE + 6 * SECOND), ("returned", HOUR + 30 * SECOND)]
    event = s.alarms(C)[0]
    assert event.since == T0 + MINUTE
    assert "has no power" in event.text
    assert "No gauge is read beside it" in event.text
    assert "tanks hold pressure with the power off" in event.text  # the caution
    assert event.text.index("disconnect") < event.text.index("breaker")


def test_the_tank_pressure_is_told_as_the_site_reads_it():
    rows = series({POWER: between(MINUTE, HOUR, 0, 1), "gen1.tank_pressure": 72.5},
                  end=2 * MINUTE)
    event = story(plant(units="metric")).feed(rows).alarms(C)[0]
    assert "5.00 bar" in event.text
    assert event.values == {"power": 0, "tank_pressure_psi": 72.5}


@pytest.mark.parametrize("every", [SECOND, 5 * SECOND, MINUTE])
def test_bounce_moves_nothing(every):
    def bouncing(at: int) -> float:
        return float(at // every % 2)

    s = story(plant(devices={"io": (every, (POWER,))}))
    s.feed(series({POWER: bouncing}, end=300 * every, every=every))
    assert s.moves(C) == []


def test_one_odd_reading_moves_nothing_either_way():
    down = between(10 * MINUTE, 20 * MINUTE, 0, 1)

    def odd(at: int) -> float:
        value = down(at)
        return 1 - value if at in (5 * MINUTE, 15 * MINUTE) else value

    s = story(plant(devices=ALONE)).feed(series({POWER: odd}, end=30 * MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]
    assert s.alarms(C)[0].since == T0 + 10 * MINUTE


@pytest.mark.parametrize("every", [SECOND, 5 * SECOND, 20 * SECOND, MINUTE])
def test_within_the_delay_and_two_polls(every):
    s = story(plant(devices={"io": (every, (POWER,))}))
    s.feed(series({POWER: between(30 * every, HOUR * 9, 0, 1)}, end=60 * every, every=every))
    (what, at), = s.moves(C)
    assert what == "raised"
    assert at - 30 * every <= 5 * SECOND + 2 * every


def test_without_the_contact_it_says_so():
    s = story(plant(devices={"io": (5 * SECOND, ("gen1.trouble",))}))
    assert s.reason(C, "gen1") == "no power contact at gen1"


def test_a_silent_contact_leaves_it_standing():
    s = story(plant(devices={**ALONE, "other": (5 * SECOND, ("r1.pressure",))}))
    s.feed(series({POWER: lambda at: None if at >= 5 * MINUTE else between(MINUTE, HOUR, 0, 1)(at),
                   "r1.pressure": 25}, end=30 * MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised"]
    text = next(a.text for a in s.monitor.alarms() if a.condition == C)
    assert "Not known at present: io does not answer" in text


def test_a_restart_between_two_readings_loses_nothing():
    rows = series({POWER: between(MINUTE, HOUR, 0, 1)}, end=2 * MINUTE)
    expected = story(plant(devices=ALONE)).feed(rows).moves(C)
    for cut in range(10, 18):
        s = story(plant(devices=ALONE)).feed(rows[:cut])
        again = Story(SiteMonitor(plant=plant(devices=ALONE), settings=settings()), s.events)
        again.monitor.load(json.loads(json.dumps(s.monitor.dump())), s.alarms(C))
        assert again.feed(rows[cut:]).moves(C) == expected
