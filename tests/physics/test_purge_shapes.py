"""Purges that are not one clean exponential: dead legs, a flow that changes, a feed in doubt."""

import math
import random

import pytest

from collector.physics.estimate import Refusal
from collector.physics.purgefit import PurgeFit, fit_purge

DAY = 86_400.0
FEED, TARGET, START = 0.005, 0.02, 0.209476


def _readings(curve, days, *, count=150, noise=0.0005, seed=2):
    rng = random.Random(seed)
    times = [days * DAY * i / (count - 1) for i in range(count)]
    return times, [
        round(FEED + (START - FEED) * curve(t / DAY) + rng.gauss(0, noise), 4) for t in times
    ]


def _dead_leg(t):
    return 0.8 * math.exp(-t) + 0.2 * math.exp(-t / 2)


def _switch(factor, at):
    return lambda t: math.exp(-min(t, at) - factor * max(t - at, 0.0))


def _meets(curve):
    low, high = 0.0, 100.0
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        above = FEED + (START - FEED) * curve(middle) > TARGET
        low, high = (middle, high) if above else (low, middle)
    return low * DAY


def test_behind_a_dead_leg_the_later_half_forecasts():
    times, oxygen = _readings(_dead_leg, 1.8)
    fit = fit_purge(times, oxygen, TARGET, FEED)
    assert isinstance(fit, PurgeFit)
    assert fit.decay.start > times[0], "the later half was expected to be chosen"
    due = _meets(_dead_leg)
    # One case, and a hard one: a fifth of the gas mixes at half the pace.
    low, high = fit.remaining.interval(0.95)
    assert times[-1] + low < due < times[-1] + high
    assert times[-1] + fit.remaining.value == pytest.approx(due, rel=0.15)


@pytest.mark.parametrize(("factor", "at", "word"), [(0.25, 1.0, "slower"), (4.0, 0.6, "faster")])
def test_a_flow_that_changed_is_not_one_rate(factor, at, word):
    found = fit_purge(*_readings(_switch(factor, at), at / 0.6), TARGET, FEED)
    assert isinstance(found, Refusal)
    assert found.code == "not-one-rate"
    assert word in found.reason


def test_a_feed_in_doubt_widens_the_forecast_and_not_the_value():
    times, oxygen = _readings(lambda t: math.exp(-t), 1.0)
    sure = fit_purge(times, oxygen, TARGET, FEED)
    unsure = fit_purge(times, oxygen, TARGET, FEED, feed_deviation=0.003)
    assert unsure.remaining.value == sure.remaining.value
    assert unsure.remaining.deviation > 1.5 * sure.remaining.deviation
    # Lower by one deviation, the feed would have it there sooner; that lies inside the interval.
    moved = fit_purge(times, oxygen, TARGET, FEED - 0.003)
    low, high = unsure.remaining.interval(0.90)
    assert low < moved.remaining.value < high


def test_a_purge_that_is_done_has_no_time_left():
    times, oxygen = _readings(lambda t: math.exp(-t), 4.0)
    fit = fit_purge(times, oxygen, TARGET, FEED)
    assert isinstance(fit, PurgeFit)
    assert fit.remaining.value == 0.0
    assert fit.completion == 1.0


@pytest.mark.parametrize("seed", range(8))
def test_a_third_of_the_way_the_end_is_known_within_15_percent(seed):
    due = _meets(lambda t: math.exp(-t))
    times, oxygen = _readings(
        lambda t: math.exp(-t), due / DAY / 3, noise=0.002, count=100, seed=seed
    )
    fit = fit_purge(times, oxygen, TARGET, FEED)
    assert isinstance(fit, PurgeFit)
    assert times[-1] + fit.remaining.value == pytest.approx(due, rel=0.15)
    assert fit.completion == pytest.approx(1 / 3, abs=0.05)
