"""The condition that follows from what the daemon noted of first readings."""

from __future__ import annotations

import json

from collector.domain.events import SystemEvent
from tests.rules.support import MINUTE, SECOND, T0, Story, plant, series, story

C = "readings-implausible"
TWO = {"left": (5 * SECOND, ("gen1.tank_pressure",)), "right": (5 * SECOND, ("r1.pressure",))}
WHY = ("Readings of left cannot be right or are unlikely. gen1.tank_pressure: tank pressure of 715 "
       "psi is far above the cut-out of 80 psi; with scale = 0.1 it would be 71.5 psi.")


def _note(s: Story, at: int, fact: str, device: str = "left", text: str = WHY) -> None:
    s.events += s.monitor.record_event(SystemEvent(
        time=T0 + at, site="fenmoor", fact=fact, asset=device, text=text,
        values={"points": "gen1.tank_pressure"}))


def _running(s: Story, start: int, end: int) -> None:
    s.feed(series({"gen1.tank_pressure": 70, "r1.pressure": 25}, start=start, end=end))


def test_it_is_raised_and_returns_with_the_events():
    s = story(plant(devices=TWO))
    _running(s, 0, MINUTE)
    _note(s, MINUTE, "readings-found-implausible")
    _running(s, MINUTE, 3 * MINUTE)
    (raised,) = s.alarms(C)
    assert (raised.asset, raised.signal.value) == ("left", "trouble")
    assert "with scale = 0.1 it would be 71.5 psi" in raised.text
    assert raised.values["points"] == "gen1.tank_pressure"
    _note(s, 3 * MINUTE, "readings-found-plausible", text="again")
    _running(s, 3 * MINUTE, 4 * MINUTE)
    assert [kind for kind, _ in s.moves(C)] == ["raised", "returned"]


def test_trap_another_device_s_readings_are_its_own():
    s = story(plant(devices=TWO))
    _running(s, 0, MINUTE)
    _note(s, MINUTE, "readings-found-implausible", device="right")
    _running(s, MINUTE, 2 * MINUTE)
    assert [e.asset for e in s.alarms(C)] == ["right"]
    _note(s, 2 * MINUTE, "readings-found-plausible", device="left")
    _running(s, 2 * MINUTE, 3 * MINUTE)
    assert [kind for kind, _ in s.moves(C)] == ["raised"]


def test_trap_a_low_pressure_is_raised_beside_it():
    """An unlikely reading stays good: the doubt must not hide its alarm."""
    s = story(plant(devices=TWO))
    _running(s, 0, MINUTE)
    _note(s, MINUTE, "readings-found-implausible", device="right")
    s.feed(series({"gen1.tank_pressure": 70, "r1.pressure": 2.5}, start=MINUTE, end=10 * MINUTE))
    assert s.alarms("pressure-low")
    assert s.alarms(C)


def test_a_restart_keeps_it():
    s = story(plant(devices=TWO))
    _running(s, 0, MINUTE)
    _note(s, MINUTE, "readings-found-implausible")
    _running(s, MINUTE, 2 * MINUTE)
    state = json.loads(json.dumps(s.monitor.dump()))
    fresh = story(plant(devices=TWO))
    fresh.monitor.load(state, s.alarms(C))
    _running(fresh, 2 * MINUTE, 3 * MINUTE)
    assert [a.condition for a in fresh.monitor.alarms() if a.present] == [C]
    _note(fresh, 3 * MINUTE, "readings-found-plausible")
    _running(fresh, 3 * MINUTE, 4 * MINUTE)
    assert [kind for kind, _ in fresh.moves(C)] == ["returned"]
