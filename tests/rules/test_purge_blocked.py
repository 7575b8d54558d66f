"""purge-blocked and its trap."""

from __future__ import annotations

import math
import random

import pytest

from tests.rules.purges import O2, OPEN, PSI, falling, noisy, told
from tests.rules.support import DAY, HOUR, MINUTE, T0, plant, series, story

C = "purge-blocked"
DRAW = 39.7 * 0.35 / 162.5  # psi/min: absolute pressure times flow over gas held
LEAK = 0.012  # psi/min


def saw(flows, seed=3):
    """Supervisory pressure between its supply's two points: falls, and refills within a minute."""
    rng = random.Random(seed)
    state = {"p": 25.0, "t": 0}

    def at(t):
        minutes, state["t"] = (t - state["t"]) / MINUTE, t
        state["p"] -= minutes * (LEAK + (DRAW if flows(t) else 0.0))
        if state["p"] < 24.5:
            state["p"] = 25.0
        return round(state["p"] + rng.gauss(0, 0.015), 2)

    return at


def course(until, seed=1):
    """Oxygen of a purge that is blocked from ``until`` on."""
    curve = falling()
    return noisy(lambda t: curve(min(t, until)), seed)


def test_blocked_as_demand_and_oxygen_say():
    block = 8 * HOUR
    s = told().feed(series({OPEN: 1, O2: course(block), PSI: saw(lambda t: t < block)},
                           end=20 * HOUR, every=MINUTE))
    (what, at), = s.moves(C)
    assert what == "raised"
    assert block < at < block + 3 * HOUR
    event = s.alarms(C)[0]
    assert event.values["demand_says"] == "none"
    assert "Between refills the riser loses" in event.text
    assert "1) water at the low point before the vent" in event.text


def test_water_at_the_vent_is_named_first():
    block = 8 * HOUR
    s = told().feed(series({OPEN: 1, O2: course(block), PSI: saw(lambda t: t < block),
                            "r1-vent.water": lambda t: float(t > block)},
                           end=14 * HOUR, every=MINUTE))
    assert "1) drain the water at the vent" in s.alarms(C)[0].text


def test_it_returns_when_gas_flows_again():
    flows = lambda t: not 8 * HOUR < t < 12 * HOUR  # noqa: E731
    o2 = lambda t: falling()(min(t, 8 * HOUR) + max(t - 12 * HOUR, 0))  # noqa: E731
    s = told().feed(series({OPEN: 1, O2: noisy(o2), PSI: saw(flows)}, end=18 * HOUR,
                           every=MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]


def test_blocked_by_the_oxygen_alone():
    s = told().feed(series({OPEN: 1, O2: course(6 * HOUR)}, end=20 * HOUR, every=MINUTE))
    (what, _), = s.moves(C)
    assert what == "raised"
    assert s.alarms(C)[0].values["oxygen_says"] == "none"
    assert "pressure cannot tell" in s.alarms(C)[0].text


def test_a_purge_that_flows_is_silent():
    s = told().feed(series({OPEN: 1, O2: noisy(falling()), PSI: saw(lambda t: True)},
                           end=16 * HOUR, every=MINUTE))
    assert s.moves(C) == []


def test_demand_that_shows_flow_clears_a_frozen_sensor():
    s = told().feed(series({OPEN: 1, O2: lambda t: noisy(falling())(t) if t < 6 * HOUR else 10.1,
                            PSI: saw(lambda t: True)}, end=16 * HOUR, every=MINUTE))
    assert s.moves(C) == []


def test_trap_a_frozen_oxygen_sensor_cannot_tell():
    curve = noisy(falling())
    o2 = lambda t: curve(t) if t < 6 * HOUR else 10.1  # noqa: E731
    s = told().feed(series({OPEN: 1, O2: o2}, end=20 * HOUR, every=MINUTE))
    assert s.moves(C) == []


def test_trap_a_supply_in_air_fill():
    air = lambda t: 8 * HOUR < t < 30 * HOUR  # noqa: E731
    # Nitrogen that follows the air needs its time before the far end shows it.
    o2 = lambda t: (20.9 if 12 * HOUR < t < 34 * HOUR else  # noqa: E731
                    falling()(min(t, 8 * HOUR)) if t < 34 * HOUR else falling(start=34 * HOUR)(t))
    s = told().feed(series({OPEN: 1, "gen1.mode": lambda t: 2 if air(t) else 1, O2: noisy(o2)},
                           end=40 * HOUR, every=MINUTE))
    assert s.moves(C) == []


def test_trap_a_very_small_vent_says_cannot_tell():
    s = told(gallons=2000, scfm=0.002)
    s.feed(series({OPEN: 1, O2: noisy(lambda t: 9.0), PSI: noisy(lambda t: 25.0)}, end=5 * DAY,
                  every=10 * MINUTE))
    assert s.moves(C) == []
    evaluation, = (v for v in s.monitor.evaluations() if v.condition == C)
    assert evaluation.state == "unknown"
    assert evaluation.because.startswith("cannot tell: the vent is too small")


def test_a_declared_fill_stands_still():
    s = told()
    s.monitor.declare_fill("r1", T0 + 30 * HOUR)
    s.feed(series({OPEN: 1, O2: course(6 * HOUR)}, end=20 * HOUR, every=MINUTE))
    assert s.moves(C) == []


def test_not_watched_without_flow_or_inputs():
    assert told(scfm=None).reason(C, "r1-vent").startswith("no volume and supervisory_pressure")
    s = story(plant(devices={"io": (5000, (O2,))}))
    assert s.reason(C, "r1-vent") == "no open contact at r1-vent"


def test_trap_a_path_that_was_mended_is_no_purge_that_does_not_fall():
    # A front that needs its time: the slope looks back on blocked hours after the path is clear.
    flows = lambda t: not 8 * HOUR < t < 13 * HOUR  # noqa: E731
    o2 = lambda t: falling()(min(t, 8 * HOUR) + max(t - 13 * HOUR, 0))  # noqa: E731
    s = told().feed(series({OPEN: 1, O2: noisy(o2), PSI: saw(flows)}, end=20 * HOUR,
                           every=MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]
    assert s.moves("oxygen-not-falling") == []


def test_trap_a_supply_that_feeds_the_vent_steadily():
    # The device that holds the pressure sticks for the first hours, then passes what it takes.
    sawing, rest = saw(lambda t: True), noisy(lambda t: 24.8, noise=0.01)
    psi = lambda t: sawing(t) if t < 7 * HOUR else round(rest(t), 2)  # noqa: E731
    s = told().feed(series({OPEN: 1, O2: noisy(falling()), PSI: psi}, end=20 * HOUR, every=MINUTE))
    assert s.moves(C) == []


def test_trap_a_riser_that_is_fed_steadily_and_sags_a_little():
    # Held between the two points of its device, it drifts by 0.3 psi in hours: that is no fall
    # while the supply rests, and the oxygen goes on falling.
    sawing = saw(lambda t: True)
    psi = lambda t: sawing(t) if t < 7 * HOUR else round(  # noqa: E731
        24.95 - 0.3 * abs((t / HOUR) % 6 - 3) / 3 + random.Random(t).gauss(0, 0.015), 2)
    s = told().feed(series({OPEN: 1, O2: noisy(falling()), PSI: psi}, end=24 * HOUR, every=MINUTE))
    assert s.moves(C) == []


def test_a_blocked_riser_that_hardly_leaks_is_told_once_the_oxygen_stands_still():
    block, sawing = 8 * HOUR, saw(lambda t: True)
    psi = lambda t: sawing(t) if t < block else round(  # noqa: E731
        24.95 - 0.05 * (t - block) / HOUR + random.Random(t).gauss(0, 0.015), 2)
    s = told().feed(series({OPEN: 1, O2: course(block), PSI: psi}, end=20 * HOUR, every=MINUTE))
    (what, at), = s.moves(C)
    assert what == "raised"
    assert block < at < block + 6 * HOUR


def test_a_quiet_sensor_behind_a_block_is_no_frozen_one():
    # Its noise is far below its step: it never flickered, so that standing still is no news of it.
    curve = noisy(falling(), noise=0.005)
    s = told(data_frozen={"enabled": False}).feed(series(
        {OPEN: 1, O2: lambda t: curve(t) if t < 6 * HOUR else 10.1}, end=20 * HOUR, every=MINUTE))
    (what, _), = s.moves(C)
    assert what == "raised"


def test_room_air_that_rises_in_the_chamber_of_a_blocked_vent_is_no_flow():
    o2 = noisy(lambda t: falling()(min(t, 6 * HOUR)) + 0.1 * max(t - 6 * HOUR, 0) / HOUR)
    s = told().feed(series({OPEN: 1, O2: o2}, end=20 * HOUR, every=MINUTE))
    (what, _), = s.moves(C)
    assert what == "raised"


def test_trap_air_that_is_fed_to_a_purged_pipe():
    opening = lambda t: t % HOUR < 24 * MINUTE  # noqa: E731
    fed = lambda t: 1.7 + 19.0 * (1.0 - math.exp(-max(t - DAY, 0) / DAY))  # noqa: E731
    s = told().feed(series({OPEN: lambda t: float(opening(t)), O2: noisy(fed)}, end=4 * DAY,
                           every=MINUTE))
    assert s.moves(C) == []
    assert [m for m, _ in s.moves("oxygen-rising")] == ["raised"]


def test_trap_a_gauge_whose_flicker_falls_faster_than_gas_can_leave():
    # Fed steadily, in steps of 0.5 psi: each step down within a poll would be 30 psi an hour.
    rng = random.Random(5)
    psi = lambda t: 24.5 + 0.5 * rng.randint(0, 2)  # noqa: E731
    s = told().feed(series({OPEN: 1, O2: course(10 * HOUR), PSI: psi}, end=30 * HOUR,
                           every=MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised"]


@pytest.mark.parametrize("block", [6.2, 7.0, 7.6, 8.5])
def test_it_is_not_said_to_begin_before_its_cause(block):
    at = int(block * HOUR)
    for shapes in ({PSI: saw(lambda t: t < at)}, {}):
        s = told().feed(series({OPEN: 1, O2: course(at), **shapes}, end=24 * HOUR, every=MINUTE))
        assert s.alarms(C)[0].since - T0 > at - 10 * MINUTE


@pytest.mark.parametrize(("every", "long"), [(HOUR, 20 * MINUTE), (DAY, 5 * HOUR)])
@pytest.mark.parametrize("blocked", [True, False])
def test_a_purge_by_timer_is_judged_over_its_openings(every, long, blocked):
    is_open = lambda t: t % every < long  # noqa: E731
    passed = lambda t: t // every * long + min(t % every, long)  # noqa: E731
    block = 6 * HOUR * every // long if blocked else 99 * DAY
    o2 = noisy(lambda t: falling()(passed(min(t, block))))
    s = told().feed(series({OPEN: lambda t: float(is_open(t)), O2: o2}, end=block + 12 * HOUR
                           * every // long if blocked else 14 * HOUR * every // long,
                           every=MINUTE))
    assert [m for m, _ in s.moves(C)][:1] == (["raised"] if blocked else [])
