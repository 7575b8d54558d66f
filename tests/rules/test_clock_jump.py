"""clock-jump: facts of a clock that was set, and a daylight-saving change, which is none."""

from __future__ import annotations

import json

import pytest

from collector.app.monitor import SiteMonitor
from collector.clock import parse_instant
from collector.domain.events import SystemEvent
from collector.domain.readings import Reading
from tests.rules.support import HOUR, MINUTE, SECOND, T0, Story, plant, series, settings, story

C = "clock-jump"


def clock_set(at: int, seconds: float) -> SystemEvent:
    return SystemEvent(time=T0 + at, site="fenmoor", fact="clock-set", text="",
                     values={"seconds": seconds})


def told(s: Story, *facts: SystemEvent) -> Story:
    for fact in facts:
        s.events += s.monitor.record_event(fact)
    return s


@pytest.mark.parametrize("seconds", [30.0, -30.0, 7200.0])
def test_a_jump_is_raised_and_returns_by_itself(seconds):
    s = told(story().feed(series({"r1.pressure": 25}, end=MINUTE)), clock_set(MINUTE, seconds))
    s.advance(HOUR)
    assert s.moves(C) == [("raised", MINUTE + SECOND), ("returned", 11 * MINUTE)]
    event = s.alarms(C)[0]
    assert event.asset == "fenmoor"
    assert event.values == {"jump_seconds": seconds, "jumps": 1}
    assert ("forward" if seconds > 0 else "back") in event.text
    assert "time service" in event.text


def test_what_a_time_service_corrects_is_none():
    s = told(story(), clock_set(MINUTE, 3.0), clock_set(2 * MINUTE, -8.0)).advance(HOUR)
    assert s.moves(C) == []


def test_one_after_another_is_one_alarm():
    s = told(story(), clock_set(MINUTE, 30.0), clock_set(6 * MINUTE, -40.0)).advance(HOUR)
    assert s.moves(C) == [("raised", MINUTE + SECOND), ("returned", 16 * MINUTE)]


@pytest.mark.parametrize("change", ["2026-03-29T01:00:00Z", "2026-10-25T01:00:00Z"])
def test_a_daylight_saving_change_is_none(change):
    at = parse_instant(change)
    rows = [Reading(point="r1.pressure", asked=t, time=t, value=25.0)
            for t in range(at - HOUR, at + 2 * HOUR, 5 * SECOND)]
    s = story().feed(rows)
    assert s.moves(C) == []
    assert s.events == [] or all(not hasattr(e, "condition") for e in s.events)
    assert s.monitor.statistics().clock_sets == 0


def test_it_survives_a_restart():
    s = told(story(), clock_set(MINUTE, 30.0)).advance(2 * MINUTE)
    again = Story(SiteMonitor(plant=plant(), settings=settings()), list(s.events))
    again.monitor.load(json.loads(json.dumps(s.monitor.dump())), s.alarms(C))
    again.advance(HOUR)
    assert again.moves(C) == [("raised", MINUTE + SECOND), ("returned", 11 * MINUTE)]


def test_a_fact_after_the_snapshot_is_found_in_the_journal():
    s = story().feed(series({"r1.pressure": 25}, end=MINUTE))
    state = json.loads(json.dumps(s.monitor.dump()))
    fact = clock_set(MINUTE, 30.0)
    told(s, fact).advance(2 * MINUTE)
    again = Story(SiteMonitor(plant=plant(), settings=settings()), list(s.events))
    again.monitor.load(state, s.alarms(C))
    again.monitor.catch_up((), T0 + 2 * MINUTE, facts=[fact])
    assert [a.condition for a in again.monitor.alarms()] == [C]
    again.advance(HOUR)
    assert again.moves(C) == [("raised", MINUTE + SECOND), ("returned", 11 * MINUTE)]
