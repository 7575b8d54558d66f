"""vent-stuck-open and its trap."""

from __future__ import annotations

import pytest

from tests.rules.purges import O2, OPEN, falling, noisy, told
from tests.rules.support import DAY, HOUR, MINUTE, T0, plant, series, story

C = "vent-stuck-open"


def test_open_long_after_the_target():
    s = told().feed(series({O2: noisy(lambda t: 1.2), OPEN: 1}, end=10 * HOUR, every=MINUTE))
    assert s.moves(C) == [("raised", 6 * HOUR)]
    text = s.alarms(C)[0].text
    assert "open with the purge done for at least 6 h" in text
    assert "the target is 2.0 %" in text


def test_it_returns_when_the_vent_closes():
    s = told().feed(series({O2: noisy(lambda t: 1.2), OPEN: lambda t: float(t < 8 * HOUR)},
                           end=10 * HOUR, every=MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]


def test_a_purge_in_progress_keeps_the_vent_open_by_right():
    s = told().feed(series({O2: noisy(falling()), OPEN: 1}, end=16 * HOUR, every=MINUTE))
    assert s.moves(C) == []


def test_trap_a_purge_planned_by_timer():
    s = told().feed(series({O2: noisy(lambda t: 1.2), OPEN: lambda t: float(t % DAY < 2 * HOUR)},
                           end=6 * DAY, every=5 * MINUTE))
    assert s.moves(C) == []


def test_trap_a_long_timer_is_learned_or_planned():
    shapes = {O2: noisy(lambda t: 1.2), OPEN: lambda t: float(HOUR < t % DAY < 10 * HOUR)}
    planned = told(vent_stuck_open={"planned": 10 * HOUR})
    assert planned.feed(series(shapes, end=4 * DAY, every=5 * MINUTE)).moves(C) == []
    # It opens with the purge done, which no controller of the oxygen does: a day is waited for.
    learned = told().feed(series(shapes, end=4 * DAY, every=5 * MINUTE))
    assert learned.moves(C) == []


def test_trap_a_long_timer_on_a_chamber_that_lets_room_air_in():
    opened = lambda t: 3 * HOUR < t % DAY < 12 * HOUR  # noqa: E731
    o2 = lambda t: 1.2 if opened(t) else 9.0  # noqa: E731
    s = told().feed(series({OPEN: lambda t: float(opened(t)), O2: noisy(o2)}, end=4 * DAY,
                           every=5 * MINUTE))
    assert s.moves(C) == []


def test_one_that_only_samples_and_then_stays_open_is_raised_by_its_habit():
    opened = lambda t: float(t % (6 * HOUR) < 10 * MINUTE or t > 25 * HOUR)  # noqa: E731
    s = told().feed(series({O2: noisy(lambda t: 1.2), OPEN: opened}, end=34 * HOUR, every=MINUTE))
    (what, at), = s.moves(C)
    assert what == "raised"
    assert 31 * HOUR <= at <= 31 * HOUR + 10 * MINUTE


@pytest.mark.parametrize("seed", range(3))
def test_just_under_the_target_for_more_than_a_day(seed):
    s = told().feed(series({O2: noisy(lambda t: 1.9, seed), OPEN: 1}, end=3 * DAY, every=MINUTE))
    (what, at), = s.moves(C)
    assert what == "raised"
    assert 26 * HOUR <= at <= 30 * HOUR
    assert "open with the purge done" in s.alarms(C)[0].text


def test_trap_a_purge_whose_tail_lies_just_above_the_target():
    s = told().feed(series({O2: noisy(lambda t: 2.03), OPEN: 1}, end=6 * DAY, every=MINUTE))
    assert s.moves(C) == []


def test_a_declared_fill_stands_still():
    s = told()
    s.monitor.declare_fill("r1", T0 + 12 * HOUR)
    s.feed(series({O2: noisy(lambda t: 1.2), OPEN: 1}, end=11 * HOUR, every=MINUTE))
    assert s.moves(C) == []


def test_not_watched_without_its_inputs():
    s = story(plant(devices={"io": (5000, ("gen1.mode",))}))
    assert s.reason(C, "r1-vent") == "no open contact and no oxygen at r1-vent"
