"""purge-time-constant, purge-done-at, oxygen-exposure."""

from __future__ import annotations

import doctest
import math

import pytest

from collector.physics import purgeforecast
from collector.physics.estimate import Refusal
from collector.physics.purgeforecast import PurgeForecast, forecast_purge
from collector.physics.washout import washout
from collector.rules import purge_estimates
from tests.rules.purges import FEED, O2, OPEN, TAU, falling, noisy, told
from tests.rules.support import DAY, HOUR, MINUTE, T0, series

DONE = HOUR * TAU * math.log(20.1 / 1.2)  # well mixed, from 20.9 % to 2 % with a feed of 0.8 %


def test_the_examples_in_the_docstrings():
    assert doctest.testmod(purgeforecast).failed == 0


@pytest.mark.parametrize("turns", [0.5, 1.0, 2.5])
def test_two_tanks_are_two_volumes_in_series(turns):
    # Two equal volumes in series, each of half the time constant: the closed solution (computed).
    exact = (1 + 2 * turns) * math.exp(-2 * turns)
    assert washout(2, 0.0, 1.0)[round(20 * turns)] == pytest.approx(exact, abs=0.004)


@pytest.mark.parametrize(("tanks", "dead", "exchange"), [(1, 0.2, 1.0), (4, 0.28, 2.5)])
def test_the_area_under_the_washout_is_the_time_constant(tanks, dead, exchange):
    # Levenspiel, Chemical Reaction Engineering (from memory): whatever the pipe looks like.
    course = washout(tanks, dead, exchange)
    area = sum((a + b) / 2 for a, b in zip(course, course[1:], strict=False)) / 20
    assert area == pytest.approx(1.0, rel=0.02)


def test_the_forecast_a_third_of_the_way():
    s = told().feed(series({O2: noisy(falling()), OPEN: 1, FEED: 0.8}, end=int(DONE * 0.7),
                           every=MINUTE))
    made = [e for e in s.estimates("purge-done-at") if e.value and e.time - T0 > DONE / 3]
    assert len(made) >= 3
    for e in made:
        assert abs(e.value * 1000 - T0 - DONE) < 0.15 * DONE
        assert e.low <= e.value <= e.high
        assert e.unit == "s since 1970"
    tau = s.estimates("purge-time-constant")[-1]
    assert tau.low <= TAU <= tau.high
    assert tau.value == pytest.approx(TAU, rel=0.1)


def test_a_forecast_counts_from_the_rows_it_was_made_from(monkeypatch):
    # One that knows how long it takes from the last row on, whether rows were joined or not.
    def knows(times, *_args):
        left = DONE / 1000 - times[-1]
        return PurgeForecast(time_constant=(1.0, 1.0, 1.0), remaining=(left, left, left), models=1)

    monkeypatch.setattr(purge_estimates, "_forecast", knows)
    s = told().feed(series({O2: noisy(falling()), OPEN: 1, FEED: 0.8}, end=int(DONE * 0.9),
                           every=MINUTE))
    made = [e for e in s.estimates("purge-done-at") if e.value]
    assert len(made) >= 6
    for e in made:
        assert e.value * 1000 == pytest.approx(T0 + DONE, abs=2 * MINUTE)


def test_a_timer_stretches_the_forecast():
    is_open = lambda t: t % HOUR < 30 * MINUTE  # noqa: E731
    passed = lambda t: t // HOUR * 30 * MINUTE + min(t % HOUR, 30 * MINUTE)  # noqa: E731
    s = told().feed(series({OPEN: lambda t: float(is_open(t)), FEED: 0.8,
                            O2: noisy(lambda t: falling()(passed(t)))}, end=int(DONE * 1.2),
                           every=MINUTE))
    e = [e for e in s.estimates("purge-done-at") if e.value][-1]
    assert abs(e.value * 1000 - T0 - 2 * DONE) < 0.15 * 2 * DONE


def test_a_purge_by_a_daily_timer_ends_in_one_of_its_openings():
    passed = lambda t: t // DAY * 6 * HOUR + min(t % DAY, 6 * HOUR)  # noqa: E731
    s = told().feed(series({OPEN: lambda t: float(t % DAY < 6 * HOUR), FEED: 0.8,
                            O2: noisy(lambda t: falling()(passed(t)))}, end=3 * DAY,
                           every=2 * MINUTE))
    done = 3 * DAY + DONE - 18 * HOUR
    made = [e for e in s.estimates("purge-done-at") if e.value and e.time >= T0 + 40 * HOUR]
    assert len(made) >= 3
    for e in made:
        assert e.value * 1000 == pytest.approx(T0 + done, abs=3 * HOUR)


def test_no_forecast_where_the_data_do_not_support_one():
    s = told().feed(series({O2: noisy(lambda t: 20.5), OPEN: 1}, end=25 * HOUR, every=5 * MINUTE))
    e, = s.estimates("purge-done-at")
    assert e.value is None
    assert "too little of the way" in e.reason


def test_a_product_that_cannot_reach_the_target_is_refused():
    refused = forecast_purge([60.0 * i for i in range(20)], [0.2 - 0.005 * i for i in range(20)],
                             0.02, 0.03)
    assert isinstance(refused, Refusal)
    assert refused.code == "never"


def test_no_purge_no_forecast():
    s = told().feed(series({O2: noisy(lambda t: 1.6), OPEN: 0}, end=25 * HOUR, every=5 * MINUTE))
    e, = s.estimates("purge-done-at")
    assert e.value is None


def test_exposure_in_percent_days():
    s = told().feed(series({O2: lambda t: 5.0 if t < 12 * HOUR else 1.5}, end=25 * HOUR,
                           every=MINUTE))
    e = s.estimates("oxygen-exposure")[0]
    # Half a day at 3 % above the target.
    assert e.value == pytest.approx(1.5, rel=0.01)
    assert e.low <= 1.5 <= e.high
    assert (e.unit, e.reason) == ("% d", "")


def test_exposure_says_its_coverage():
    s = told().feed(series({O2: lambda t: 5.0 if t < 18 * HOUR else None, "gen1.mode": 1},
                           end=25 * HOUR, every=MINUTE))
    e = s.estimates("oxygen-exposure")[0]
    assert e.reason == "75 % of the time was seen"
    assert e.value == pytest.approx(3.0, rel=0.01)
    assert e.high >= 2.25 + 0.25 * 18.9
    little = told().feed(series({O2: lambda t: 5.0 if t < 6 * HOUR else None, "gen1.mode": 1},
                                end=DAY + HOUR, every=MINUTE))
    assert little.estimates("oxygen-exposure")[0].value is None
