"""oxygen-sensor-suspect and its trap."""

from __future__ import annotations

import pytest

from tests.rules.purges import O2, OPEN, falling, noisy, told
from tests.rules.support import DAY, HOUR, MINUTE, SECOND, T0, between, plant, series, stale, story

C = "oxygen-sensor-suspect"


def kinds(s):
    return [e.values.get("finding") for e in s.alarms(C) if e.transition == "raised"]


@pytest.mark.parametrize("reads", [24.0, -1.0])
def test_outside_what_is_possible(reads):
    s = told().feed(series({O2: between(HOUR, 2 * HOUR, reads, 1.6)}, end=3 * HOUR,
                           every=MINUTE))
    assert s.moves(C)[0] == ("raised", HOUR + 5 * MINUTE)
    assert "impossible" in kinds(s)[0]
    assert "air has 20.9 %" in s.alarms(C)[0].text


def test_frozen_while_the_purge_moved_the_gas():
    live = noisy(falling())
    s = told().feed(series({OPEN: 1, O2: lambda t: live(min(t, 6 * HOUR)) if t < 6 * HOUR
                            else 10.1}, end=12 * HOUR, every=MINUTE))
    (what, at), = s.moves(C)
    assert (what, kinds(s)) == ("raised", ["frozen"])
    assert 7.5 * HOUR <= at < 9 * HOUR
    assert "without the least change" in s.alarms(C)[0].text


def test_it_thaws():
    live = noisy(falling())
    s = told().feed(series({OPEN: 1, O2: lambda t: 10.1 if 6 * HOUR < t < 10 * HOUR else live(t)},
                           end=14 * HOUR, every=MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]


def test_trap_a_riser_that_really_is_steady():
    # A quiet sensor, nothing to move the gas: the very same number for a week.
    for shapes in ({O2: 1.6, OPEN: 0}, {O2: 0.8, OPEN: 1}, {O2: 1.6}):
        s = told().feed(series(shapes, end=7 * DAY, every=10 * MINUTE))
        assert s.moves(C) == []


def test_a_stall_behind_a_block_is_no_frozen_sensor():
    live = noisy(falling())
    stuck = noisy(lambda t: 10.15)
    s = told().feed(series({OPEN: 1, O2: lambda t: live(t) if t < 6 * HOUR else stuck(t)},
                           end=14 * HOUR, every=MINUTE))
    assert s.moves(C) == []


def test_a_step_faster_than_gas():
    live = noisy(lambda t: 3.0)
    s = told().feed(series({OPEN: 1, O2: lambda t: live(t) + (3 if HOUR < t < 9 * HOUR else 0)},
                           end=11 * HOUR, every=MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]
    assert kinds(s) == ["step"]
    assert s.moves(C)[0][1] < HOUR + 15 * MINUTE


@pytest.mark.parametrize(("lasts", "found"), [(6 * MINUTE, []), (DAY, ["raised"])])
def test_trap_an_analyser_that_checks_itself_with_air(lasts, found):
    o2 = lambda t: 20.9 if DAY <= t < DAY + lasts else 1.4  # noqa: E731
    s = told().feed(series({OPEN: 0, O2: noisy(o2)}, end=DAY + 6 * HOUR, every=30 * SECOND))
    assert [m for m, _ in s.moves(C)] == found


def test_one_wild_sample_is_no_step():
    live = noisy(lambda t: 3.0)
    s = told().feed(series({O2: lambda t: live(t) + (9 if t % HOUR == 0 else 0)}, end=DAY,
                           every=MINUTE))
    assert s.moves(C) == []


def test_an_opening_brings_other_gas_and_is_no_step():
    opening = lambda t: t % (4 * HOUR) < HOUR  # noqa: E731
    o2 = noisy(lambda t: 1.7 if opening(t) else 9.0)
    s = told().feed(series({OPEN: lambda t: float(opening(t)), O2: o2}, end=2 * DAY,
                           every=MINUTE))
    assert s.moves(C) == []


def test_trap_an_opening_that_is_not_seen_flushes_room_air_out():
    # No contact: for half a day the chamber takes in air, to 3.4 %; the pipe holds 1.2 %.
    o2 = noisy(lambda t: 1.2 + (2.2 * ((t % (12 * HOUR)) / HOUR - 1) / 11 if t % (12 * HOUR) > HOUR
                                else 0.0))
    s = told().feed(series({O2: o2}, end=3 * DAY, every=MINUTE))
    assert s.moves(C) == []


def test_a_step_up_behind_a_vent_without_contact():
    live = noisy(lambda t: 3.0)
    s = told().feed(series({O2: lambda t: live(t) + (3 if HOUR < t < 9 * HOUR else 0)},
                           end=11 * HOUR, every=MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]


def test_a_sensor_that_gives_nothing_while_its_device_answers():
    s = told().feed(series({OPEN: 0, O2: lambda t: 1.6 if t < HOUR else None}, end=3 * HOUR,
                           every=MINUTE))
    (what, at), = s.moves(C)
    assert (what, kinds(s)) == ("raised", ["no reading"])
    assert HOUR + 25 * MINUTE < at < HOUR + 50 * MINUTE


def test_a_silent_device_is_not_the_sensors_fault():
    s = story(plant(devices={"io": (60_000, (O2, OPEN))}))
    s.feed(series({O2: 1.6, OPEN: 0}, end=HOUR, every=MINUTE))
    s.feed(stale(series({O2: 0, OPEN: 0}, start=HOUR, end=5 * HOUR, every=MINUTE)))
    assert s.moves(C) == []


def test_a_suspect_sensor_is_not_a_stuck_vent_as_well():
    # The vent's own controller shuts at the target; the reading here jumps far above it.
    o2 = lambda t: 1.8 if t < 6 * HOUR else 9.8  # noqa: E731
    s = told().feed(series({OPEN: 0, O2: noisy(o2)}, end=40 * HOUR, every=MINUTE))
    assert s.moves(C)[0][0] == "raised"
    assert s.moves("vent-stuck-closed") == []


@pytest.mark.parametrize("same_poll", [True, False])
def test_a_step_that_made_the_controller_open_the_vent(same_poll):
    # The controller acts on the same sensor: the vent opens in the poll of the step, or the next.
    live = noisy(lambda t: 1.8)
    opens = HOUR if same_poll else HOUR + MINUTE
    s = told().feed(series({OPEN: lambda t: float(t >= opens),
                            O2: lambda t: live(t) + (5 if t >= HOUR else 0)},
                           end=3 * HOUR, every=MINUTE))
    (what, at), = s.moves(C)
    assert (what, kinds(s)) == ("raised", ["step"])
    assert at < HOUR + 35 * MINUTE
    assert s.alarms(C)[0].since - T0 in (HOUR, HOUR + MINUTE)


def test_trap_a_reading_that_leaps_with_the_vent_and_settles_is_the_chambers():
    live = noisy(lambda t: 1.8)
    s = told().feed(series({OPEN: lambda t: float(t >= HOUR), O2: lambda t: live(t) + (
        5 if HOUR <= t < HOUR + 8 * MINUTE else 0)}, end=3 * HOUR, every=MINUTE))
    assert s.moves(C) == []


def test_a_quiet_sensor_that_misses_much_of_the_purge_is_frozen_too():
    # Its noise is far below its step: the last digit hardly ever flickers.
    live = noisy(falling(), noise=0.005)
    s = told(data_frozen={"enabled": False}).feed(series(
        {OPEN: 1, O2: lambda t: live(t) if t < 6 * HOUR else 10.1}, end=14 * HOUR, every=MINUTE))
    (what, _), = s.moves(C)
    assert (what, kinds(s)) == ("raised", ["frozen"])
