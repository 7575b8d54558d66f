"""The engine: the grid, late and absurd samples, clocks that jump, what is not watched."""

from __future__ import annotations

import doctest
import random
from dataclasses import replace

import pytest

from collector.domain.conditions import CATALOGUE
from collector.domain.readings import Quality
from collector.rules import base, wording
from collector.rules.base import Level
from collector.rules.inputs import Spacing
from collector.rules.state import shifted
from collector.rules.wording import Words
from tests.rules.support import (
    DAY,
    HOUR,
    MINUTE,
    SECOND,
    T0,
    between,
    plant,
    series,
    story,
)

RUN, MODE, P = "gen1.compressor_running", "gen1.mode", "r1.pressure"
LONG = "compressor-long-run"


def test_the_examples_in_the_docstrings():
    for module in (base, wording):
        assert doctest.testmod(module).failed == 0


def test_events_carry_the_time_of_a_tick():
    s = story().feed(series({P: 15}, end=MINUTE, phase=437))
    assert s.events[0].time % SECOND == 0
    assert s.events[0].since == T0 + 437


def test_a_coarser_grid():
    from collector.app.monitor import SiteMonitor
    from tests.rules.support import Story, settings
    s = Story(SiteMonitor(plant=plant(), settings=settings(), step=10_000), [])
    s.feed(series({P: 15}, end=MINUTE, phase=437))
    assert s.moves("pressure-low") == [("raised", 20 * SECOND)]


def test_samples_out_of_order_change_nothing_and_are_counted():
    rows = series({RUN: between(MINUTE, HOUR), P: 25}, end=20 * MINUTE)
    late = replace(rows[100], point=P, value=1.0, time=rows[100].time - 20 * SECOND)
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed([*rows[:200], late, *rows[200:]])
    plain = story(compressor_long_run={"limit": 12 * MINUTE}).feed(rows)
    assert s.events == plain.events
    assert s.monitor.statistics().late == 1
    assert s.monitor.statistics().clock_sets == 0


def test_duplicated_samples_change_nothing_and_are_counted():
    rows = series({RUN: between(MINUTE, HOUR), P: between(0, MINUTE, 15, 25)}, end=20 * MINUTE)
    doubled = [r for row in rows for r in (row, row)]
    s = story(compressor_long_run={"limit": 12 * MINUTE}).feed(doubled)
    assert s.events == story(compressor_long_run={"limit": 12 * MINUTE}).feed(rows).events
    assert s.monitor.statistics().repeated == len(rows)


def test_values_that_are_no_numbers_are_not_used():
    rows = series({P: 25}, end=10 * MINUTE)
    odd = [replace(r, value=v) for r, v in zip(
        series({P: 0}, end=10 * MINUTE, phase=2000),
        [float("nan"), float("inf"), float("-inf")] * 40, strict=True)]
    s = story().feed(sorted([*rows, *odd], key=lambda r: r.time))
    assert s.events == []


def test_rows_shuffled_within_some_seconds_do_not_set_the_clock():
    rows = series({RUN: between(MINUTE, HOUR), P: 25, MODE: 1}, end=40 * MINUTE)
    rng = random.Random(3)
    shuffled = sorted(rows, key=lambda r: r.time + rng.uniform(0, 12_000))
    s = story(compressor_long_run={"limit": 12 * MINUTE}).feed(shuffled)
    assert s.monitor.statistics().clock_sets == 0
    assert [m for m, _ in s.moves(LONG)] == ["raised"]
    assert abs(s.moves(LONG)[0][1] - (13 * MINUTE + 5 * SECOND)) < 20 * SECOND


@pytest.mark.parametrize("back", [2 * MINUTE, HOUR, 3 * DAY])
def test_a_clock_set_back_moves_what_is_remembered(back):
    before = series({RUN: between(MINUTE, HOUR), MODE: 1}, end=8 * MINUTE)
    after = series({RUN: 1, MODE: 1}, start=8 * MINUTE, end=20 * MINUTE)
    s = story(compressor_long_run={"limit": 12 * MINUTE}).feed(before)
    s.feed(replace(r, time=r.time - back, asked=r.asked - back) for r in after)
    assert s.monitor.statistics().clock_sets == 1
    (what, at), = s.moves(LONG)
    assert what == "raised"
    # The run's true length still decides; the jump itself costs at most two samples.
    assert abs(at + back - (13 * MINUTE + 5 * SECOND)) <= 10 * SECOND
    assert s.alarms(LONG)[0].values["run_minutes"] == pytest.approx(12.1, abs=0.1)


def test_a_clock_set_back_by_some_seconds_costs_no_more_than_those():
    before = series({RUN: between(MINUTE, HOUR), MODE: 1}, end=8 * MINUTE)
    after = series({RUN: 1, MODE: 1}, start=8 * MINUTE, end=20 * MINUTE)
    s = story(compressor_long_run={"limit": 12 * MINUTE}).feed(before)
    s.feed(replace(r, time=r.time - 10 * SECOND) for r in after)
    assert s.monitor.statistics().clock_sets == 0
    assert s.moves(LONG) == [("raised", 13 * MINUTE + 5 * SECOND)]


def test_a_clock_set_back_is_seen_by_advance_at_once():
    s = story(compressor_long_run={"limit": 12 * MINUTE})
    s.feed(series({RUN: between(MINUTE, HOUR), MODE: 1}, end=8 * MINUTE)).advance(8 * MINUTE)
    s.advance(8 * MINUTE - HOUR)
    s.feed(series({RUN: 1, MODE: 1}, start=8 * MINUTE - HOUR, end=20 * MINUTE - HOUR))
    assert s.moves(LONG) == [("raised", 13 * MINUTE + 5 * SECOND - HOUR)]


def test_a_clock_set_forward_is_a_gap():
    before = series({RUN: between(MINUTE, HOUR), MODE: 1}, end=8 * MINUTE)
    after = series({RUN: 1, MODE: 1}, start=2 * HOUR, end=2 * HOUR + 20 * MINUTE)
    s = story(compressor_long_run={"limit": 12 * MINUTE}).feed(before).feed(after)
    assert s.moves(LONG) == [("raised", 2 * HOUR + 12 * MINUTE + 5 * SECOND)]
    assert s.alarms(LONG)[0].values["at_least"] == 1
    assert s.moves("device-silent") == []


def test_every_condition_of_the_catalogue_is_watched_or_says_why_not():
    s = story()
    seen = {v.condition for v in s.feed(series({P: 25}, end=MINUTE)).monitor.evaluations()}
    said = {n.condition: n.reason for n in s.monitor.not_monitored()}
    # This plant has no devices, and so no register map to doubt.
    assert seen | set(said) == set(CATALOGUE) - {"readings-implausible"}


def test_duty_by_the_day_with_bounds_for_what_was_not_seen():
    rows = series({RUN: lambda at: float(at % HOUR < 15 * MINUTE)}, end=25 * HOUR,
                  every=10 * SECOND)
    s = story().feed(rows)
    (made,) = s.estimates("compressor-duty")
    assert made.time == T0 + DAY
    assert made.value == pytest.approx(25.0, abs=0.2)
    kept = [r for r in rows if not 3 * HOUR <= r.time - T0 < 6 * HOUR]
    (holed,) = story().feed(kept).estimates("compressor-duty")
    # 21 of 24 h seen, 5.25 h of them on: between 21.9 % and 34.4 %.
    assert (holed.low, holed.high) == (pytest.approx(21.9, abs=0.3), pytest.approx(34.4, abs=0.3))
    barely = [r for r in rows if r.time - T0 < 6 * HOUR or r.time - T0 > 23.5 * HOUR]
    (refused,) = story().feed(barely).estimates("compressor-duty")
    assert (refused.value, "% of the time was seen" in refused.reason) == (None, True)


def test_local_midnight_across_the_change_of_hour():
    words = Words(plant())
    # 29 March 2026: clocks go forward in Europe/London, the day has 23 h.
    start = words.next_midnight(T0 + 27 * DAY)
    assert start == T0 + 28 * DAY
    assert words.next_midnight(start) - start == DAY - HOUR
    assert words.next_midnight(start + DAY) - words.next_midnight(start) == DAY


def test_a_level_ends_past_its_deadband_only():
    level = Level()
    assert level.compare(1, 20, 18, 1, above=False)
    assert not level.compare(2, 18, 18, 1, above=False)
    assert level.compare(3, 17.9, 18, 1, above=False)
    assert not level.compare(4, 18.9, 18, 1, above=False)
    low, high, *_ = level.band(18, 1, above=False)
    assert (low, high < 19, high > 18.9) == (float("-inf"), True, True)
    assert level.compare(5, 19, 18, 1, above=False)
    assert level.since_at == 5


def test_a_spacing_settles_near_the_usual_one():
    spacing = Spacing()
    rng = random.Random(1)
    for _ in range(500):
        spacing.learn(int(rng.gauss(10_000, 300)))
    spacing.learn(DAY)
    assert 9_500 < spacing.ms < 13_000


def test_only_marked_fields_move():
    state = {"tick_at": 5, "count": 5, "rules": {"a": {"x_series": [[5, 1, 2]], "y_at": None}}}
    assert shifted(state, 10) == {
        "tick_at": 15, "count": 5, "rules": {"a": {"x_series": [[15, 1, 2]], "y_at": None}}}


def test_a_quiet_band_promises_nothing_that_a_sample_would_change():
    """Leaving out what lies in the band gives the same events as feeding it to the rule."""
    rng = random.Random(9)
    level = 25.0
    values = []
    for _ in range(2000):
        level += rng.gauss(0, 0.8) + 0.02 * (20 - level)
        values.append(round(level, 1))
    shape = lambda at: values[at // (5 * SECOND) % 2000]  # noqa: E731
    rows = series({P: shape, "r1.low_air": lambda at: float(shape(at) < 18),
                   RUN: lambda at: float(at % (40 * MINUTE) < 20 * MINUTE)}, end=2 * HOUR)
    s = story().feed(rows)
    every = story()
    for slot in every.monitor._engine.rules.runtimes:
        slot.rule.no_change_band = lambda point: None
    every.feed(rows)
    assert s.events == every.events
    assert s.events


def test_bad_quality_is_not_a_value():
    rows = series({P: 25}, end=MINUTE)
    bad = [replace(r, value=1.0, quality=Quality.BAD, why="out of range") for r in
           series({P: 1}, start=MINUTE, end=3 * MINUTE)]
    s = story().feed(rows).feed(bad)
    assert s.moves("pressure-low") == []
    # A thing that gives nothing usable is as good as silent.
    assert [m for m, _ in s.moves("device-silent")] == ["raised"]
