"""product-oxygen-high, and the traps it must not be fooled by."""

from __future__ import annotations

import math

import pytest

from collector.domain.evaluations import ConditionState
from collector.domain.plant import Generator
from tests.rules.support import HOUR, MINUTE, SECOND, between, plant, series, story
from tests.rules.test_air_in_nitrogen_mode import AIR, HIGH, MODE, OXYGEN, RUN, after, evaluation


def test_high_is_raised_above_the_limit_of_the_site_file():
    gen = Generator(id="gen1", name="Generator 1", product_oxygen_limit=2.0)
    s = story(plant(generator=gen))
    s.feed(series({MODE: 1, RUN: 1, OXYGEN: after(10 * MINUTE, 2.6, 1.2)}, end=20 * MINUTE))
    assert s.moves(HIGH) == [("raised", 12 * MINUTE)]
    assert "The product holds 2.6 % oxygen; the limit is 2.0 %." in s.alarms(HIGH)[0].text


def test_high_has_the_limit_of_common_practice_otherwise():
    s = story().feed(series({MODE: 1, RUN: 1, OXYGEN: 2.9}, end=20 * MINUTE))
    assert s.moves(HIGH) == []
    s = story().feed(series({MODE: 1, RUN: 1, OXYGEN: 3.1}, end=20 * MINUTE))
    assert [m for m, _ in s.moves(HIGH)] == ["raised"]


def test_trap_warm_up():
    # Each run begins with poor gas, good after two and a half minutes.
    run = lambda at: float(at % HOUR < 12 * MINUTE)  # noqa: E731
    oxygen = lambda at: 5.8 if at % HOUR < 150 * SECOND else 0.9  # noqa: E731
    s = story().feed(series({MODE: 1, RUN: run, OXYGEN: oxygen}, end=5 * HOUR))
    assert s.moves(HIGH) == []
    assert evaluation(s, HIGH).state is ConditionState.INACTIVE


def test_poor_gas_at_the_end_of_each_run_is_raised_once_and_stands_between_runs():
    run = lambda at: float(at % HOUR < 12 * MINUTE)  # noqa: E731
    s = story().feed(series({MODE: 1, RUN: run, OXYGEN: 4.4}, end=5 * HOUR))
    assert s.moves(HIGH) == [("raised", 5 * MINUTE)]


def test_an_odd_end_of_a_run_does_not_ripen_while_nothing_is_made():
    run = between(0, 10 * MINUTE)
    oxygen = after(9 * MINUTE, 4.0, 1.2)
    s = story().feed(series({MODE: 1, RUN: run, OXYGEN: oxygen}, end=HOUR))
    assert s.moves(HIGH) == []


def test_without_a_mode_the_message_says_what_is_not_known():
    s = story(plant(devices={"io": (5000, (OXYGEN,))}))
    s.feed(series({OXYGEN: 5.0}, end=20 * MINUTE))
    text = s.alarms(HIGH)[0].text
    assert "the mode is not read" in text
    assert "whether the compressor runs is not read" in text


def test_air_that_was_told_of_leaves_nothing_to_tell_when_the_gas_is_good_again():
    # Its warm-up is the longer one: when the air has returned, its own last reading is still air.
    run = lambda at: float(at % HOUR < 12 * MINUTE)  # noqa: E731
    oxygen = between(3 * HOUR, 6 * HOUR, 20.6, 1.8)
    s = story().feed(series({MODE: 1, RUN: run, OXYGEN: oxygen}, end=10 * HOUR))
    assert [m for m, _ in s.moves(AIR)] == ["raised", "returned"]
    assert s.moves(HIGH) == []


def test_poor_gas_after_air_is_told_of():
    run = lambda at: float(at % HOUR < 12 * MINUTE)  # noqa: E731
    oxygen = lambda at: 20.6 if 3 * HOUR <= at < 6 * HOUR else 1.8 if at < 3 * HOUR else 6.0  # noqa: E731
    s = story().feed(series({MODE: 1, RUN: run, OXYGEN: oxygen}, end=10 * HOUR))
    ((moved, when),) = s.moves(HIGH)
    assert moved == "raised"
    assert 6 * HOUR < when < 7 * HOUR
    assert "The product holds 6.0 % oxygen" in s.alarms(HIGH)[0].text


@pytest.mark.parametrize("minutes", [2, 5, 10])
@pytest.mark.parametrize("lag", [15, 78])
def test_trap_an_analyser_whose_line_held_air_settles_over_minutes(minutes, lag):
    # It reads where a line full of air is flushed to, late by its own lag; the gas itself is good.
    run = lambda at: float(at % HOUR < 20 * MINUTE)  # noqa: E731
    flush = minutes * 60 / 4

    def oxygen(at):
        t = at % HOUR / 1000
        if t >= 20 * 60:
            return 1.2
        seen = flush / (flush - lag) * (math.exp(-t / flush) - math.exp(-t / lag))
        return round(1.2 + 19.7 * seen, 1)

    s = story().feed(series({MODE: 1, RUN: run, OXYGEN: oxygen}, end=5 * HOUR))
    assert s.moves(HIGH) == []


def test_the_message_never_states_a_number_within_its_limit():
    # For a minute past the limit, then within its deadband for ever.
    s = story().feed(series({MODE: 1, RUN: 1, OXYGEN: between(9 * MINUTE, 10 * MINUTE, 3.1, 2.9)},
                            end=HOUR))
    assert s.moves(HIGH) == []


def test_a_mode_that_reads_off_at_rest_is_no_change_of_gas():
    # Each run ends before the time that follows a change of mode; the gas is poor in all of them.
    run = lambda at: float(at % (30 * MINUTE) < 5.5 * MINUTE)  # noqa: E731
    s = story().feed(series({MODE: run, RUN: run, OXYGEN: 4.4}, end=2 * HOUR))
    assert [m for m, _ in s.moves(HIGH)] == ["raised"]


def test_runs_too_short_for_the_delay_have_their_chance_by_repeating():
    run = lambda at: float(at % (30 * MINUTE) < 4 * MINUTE)  # noqa: E731
    s = story().feed(series({MODE: 1, RUN: run, OXYGEN: 4.4}, end=3 * HOUR))
    ((moved, when),) = s.moves(HIGH)
    assert moved == "raised"
    assert HOUR < when <= HOUR + 5 * MINUTE
