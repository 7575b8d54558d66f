"""leak-high and its traps: purge flow, a fill's demand, a cold night."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest

from simulators.specs import VentSpec
from simulators.units import SCFM
from tests.rules.leakplant import Leaky, leak_step, recorded, told, watched
from tests.rules.support import DAY, HOUR, MINUTE, T0, between, plant, series, story

C = "leak-high"
# NFPA 25's 3 psi in 2 h at 40 psi is 36 psi a day; through one hole it falls with the absolute
# pressure: 39.7 / 54.7 of that at 25 psi. For 450 gal that is 0.074 scfm.
LIMIT = 36.0 * 39.696 / 54.696


def saw_tooth(psi_per_day, *, heat=lambda t: 15.0, band=0.4, seed=1, noise=0.015):
    """Pressure of a pipe that is topped up, and the temperature that goes with it."""
    rng = random.Random(seed)
    held = {"q": 39.7 / 288.15}

    def pressure(t):
        kelvin = heat(t) + 273.15
        held["q"] -= psi_per_day / 288.15 * MINUTE / DAY
        if held["q"] * kelvin < 39.7 - band:
            held["q"] = 39.7 / kelvin
        return round(held["q"] * kelvin - 14.696 + rng.gauss(0, noise), 2)

    return {"r1.pressure": pressure, "r1.pipe_temperature": lambda t: round(heat(t), 1),
            "r1-vent.open": 0}


def test_the_limit_is_the_in_service_test_brought_to_this_pressure():
    s = story().feed(series(saw_tooth(60.0), end=DAY, every=MINUTE))
    (what, at), = s.moves(C, "r1")
    assert what == "raised"
    assert at <= 6 * HOUR
    event = s.alarms(C)[0]
    assert event.values["limit_psi_per_day"] == pytest.approx(LIMIT, rel=0.01)
    assert event.values["leak_psi_per_day"] == pytest.approx(60.0, rel=0.05)
    assert event.values["seen_in"] == "pipe"
    assert "NFPA 25's in-service test, 3 psi in 2 h at 40 psi" in event.text
    assert "temperature taken out" in event.text
    assert (event.signal, event.priority) == ("service", "medium")


@pytest.mark.parametrize("leak", [0.5, 10.0, 24.0])
def test_silent_below_the_limit(leak):
    s = story().feed(series(saw_tooth(leak), end=2 * DAY, every=MINUTE))
    assert s.moves(C) == []


def test_returns_when_the_leak_is_mended():
    shapes, mended = saw_tooth(60.0), saw_tooth(10.0)
    shapes["r1.pressure"] = lambda t, a=shapes["r1.pressure"], b=mended["r1.pressure"]: (
        a(t) if t < DAY else b(t))
    s = story().feed(series(shapes, end=2 * DAY, every=MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]
    assert s.moves(C)[1][1] < DAY + 12 * HOUR


def test_trap_a_swing_of_temperature_is_no_leak():
    heat = lambda t: 15 + 12 * math.sin(2 * math.pi * t / DAY)  # noqa: E731
    s = story().feed(series(saw_tooth(12.0, heat=heat), end=3 * DAY, every=MINUTE))
    assert s.moves(C) == []


def test_trap_purge_flow_while_the_vent_is_open():
    vent = VentSpec(id="r1-vent", riser="r1", logic="timer", timer_period=6 * 3600.0,
                    timer_open=2 * 3600.0, flow=0.3 * SCFM)
    leaky = Leaky(leak=0.04)
    s = told(recorded([leaky], days=1.5, every=60, vents=[vent]), watched([leaky], [vent]))
    assert s.moves(C) == []


def test_trap_the_demand_of_a_declared_fill():
    s = story()
    s.monitor.declare_fill("r1", T0 + 20 * HOUR)
    s.feed(series(saw_tooth(80.0), end=20 * HOUR, every=MINUTE))
    assert s.moves(C) == []


def test_a_leak_that_doubles_past_the_limit_is_found_within_48_h():
    risers = [Leaky(leak=0.04), Leaky(leak=0.03)]
    s = told(recorded(risers, days=2.0, every=60, acts=[leak_step("r1", 0.045, 0.5)], seed=21),
             watched(risers))
    (what, at), = s.moves(C)
    assert (what, s.alarms(C)[0].asset) == ("raised", "r1")
    assert at < 0.5 * DAY + 24 * HOUR


def test_a_leak_too_big_for_saw_teeth_is_seen_at_the_generator_and_named_by_riser():
    risers = [Leaky(leak=0.04), Leaky(leak=0.03)]
    s = told(recorded(risers, days=1.2, every=60, acts=[leak_step("r1", 1.0, 0.4)], seed=22),
             watched(risers))
    (what, at), = s.moves(C)
    event, = s.alarms(C)
    assert (what, event.asset, event.values["seen_in"]) == ("raised", "r1", "tank")
    assert at < 0.4 * DAY + 12 * HOUR
    assert "in what the generator had to bring" in event.text


def test_risers_that_cannot_be_told_apart_are_judged_as_a_sum():
    risers = [Leaky(leak=0.25), Leaky(leak=0.2)]
    s = told(recorded(risers, days=1.2, every=60, seed=23, without=("r1.pressure", "r2.pressure")),
             watched(risers))
    event, = s.alarms(C)
    assert event.asset == "gen1"
    assert "It is the sum of Riser 1, Riser 2." in event.text
    assert "1) which riser it is" in event.text


def test_an_own_limit_is_said_to_be_one():
    s = story(leak_high={"limit": 8.0 / 1440}).feed(
        series(saw_tooth(12.0), end=DAY, every=MINUTE))
    assert "the limit is 8.0 psi a day: as set for this site" in s.alarms(C)[0].text


def test_not_watched_without_anything_to_see_a_leak_in():
    s = story(plant(devices={"io": (5000, ("gen1.compressor_running",))}))
    for condition in (C, "leak-growing"):
        assert s.reason(condition, "r1") == \
            "no supervisory pressure at r1, and no tank to read its leak from"


def test_a_window_in_which_the_sensor_was_dead_says_nothing_when_it_is_back():
    # A small leak, well below the limit at 25 psi and above what would be allowed at 0.
    dead = between(1 * DAY, 1 * DAY + 10 * HOUR)
    readings = [
        replace(r, value=0.0) if r.point == "r1.pressure" and dead(r.time - T0) else r
        for r in recorded([Leaky(leak=0.05)], days=3, every=60, seed=24)
    ]
    s = told(readings, watched([Leaky(leak=0.05)]), pressure_low={"enabled": True})
    assert [m for m, _ in s.moves("pressure-low")] == ["raised", "returned"]
    assert s.moves(C) == []
