"""Forecasts for pipes that are none of those tried, by readings that are all a little off."""

import math
import random

import pytest

from collector.physics.estimate import Refusal
from collector.physics.purgeforecast import PurgeForecast, forecast_purge
from collector.physics.washout import Pipe, pipes, quarters, washout

TAU = 5 * 3600.0
FEED, TARGET, AIR = 0.007, 0.02, 0.209
WAYS = (0.5, 0.6, 0.7, 0.8, 0.85)


def _pipe(tanks, dead, exchange):
    return Pipe(washout(tanks, dead, exchange), 0.0, tanks, dead, exchange)


def _forecast(pipe, way, shift=0.0):
    """Return a forecast so far along the way, and what was really left."""
    whole = pipe.turns((TARGET - FEED) / (AIR - FEED)) * TAU
    times = [(i + 0.5) * way * whole / 24 for i in range(24)]
    oxygen = [FEED + (AIR - FEED) * pipe.share(t / TAU) + shift for t in times]
    found = forecast_purge(times, oxygen, TARGET, FEED, expected=1.05 * TAU)
    assert isinstance(found, PurgeForecast)
    return found, whole - times[-1]


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("pipe", [(4, 0.09, 0.4), (3, 0.08, 0.4), (4, 0.1, 0.5)])
def test_a_pipe_between_those_of_the_grid_is_forecast(pipe, way):
    found, left = _forecast(_pipe(*pipe), way)
    low, middle, high = found.remaining
    assert low <= left <= high
    assert middle == pytest.approx(left, rel=0.2)
    assert found.models >= 40, "too few to have a middle"


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("shift", [0.0008, -0.0008])
def test_a_sensor_that_is_off_is_not_taken_for_a_dead_leg(way, shift):
    # What reads high all the time looks like a tail; the vent's real gas is there at its own time.
    found, left = _forecast(_pipe(3, 0.08, 0.4), way, shift)
    low, middle, high = found.remaining
    assert low <= left <= high
    assert middle == pytest.approx(left, rel=0.12)


def test_the_finer_pipes_are_as_likely_as_the_one_they_stand_for():
    for pipe in pipes():
        finer = quarters(pipe)
        together = math.fsum(math.exp(p.likely) for p in finer)
        assert together == pytest.approx(math.exp(pipe.likely), rel=0.1)
        assert {p.tanks for p in finer} == {pipe.tanks}
        if pipe.dead:
            assert min(p.dead for p in finer) < pipe.dead < max(p.dead for p in finer)
            assert min(p.exchange for p in finer) < pipe.exchange < max(p.exchange for p in finer)


def _readings(change, noise=0.0, seed=1):
    """Return two time constants of a mixed volume, 24 rows; ``change`` acts on the time."""
    rng = random.Random(seed)
    times = [(i + 0.5) / 12 * TAU for i in range(24)]
    return times, [FEED + (AIR - FEED) * math.exp(-change(t / TAU)) * (1 + rng.gauss(0, noise))
                   for t in times]


@pytest.mark.parametrize("change", [
    lambda turns: turns - 0.5 * max(min(turns - 0.7, 0.6), 0.0) * 2,  # no flow for a while
    lambda turns: turns + 0.12 * math.sin(5 * turns),  # people come and go, a door opens
])
def test_what_follows_no_one_course_is_refused(change):
    found = forecast_purge(*_readings(change, 0.001), TARGET, FEED)
    assert isinstance(found, Refusal)
    assert found.code == "not-one-rate"
    assert "the sensor's own scatter" in found.reason


@pytest.mark.parametrize("noise", [0.01, 0.03, 0.06])
def test_noise_alone_widens_a_forecast_and_is_not_refused(noise):
    refused = held = 0
    for seed in range(12):
        times, oxygen = _readings(lambda turns: turns, noise, seed)
        found = forecast_purge(times, oxygen, TARGET, FEED, expected=1.05 * TAU)
        if isinstance(found, Refusal):
            refused += 1
            continue
        left = TAU * math.log((AIR - FEED) / (TARGET - FEED)) - times[-1]
        held += found.remaining[0] <= left <= found.remaining[2]
    assert refused <= 1
    assert held >= 10


@pytest.mark.parametrize("slowing", [0.2, 0.5, 0.7])
@pytest.mark.parametrize("way", [0.4, 0.6, 0.8])
def test_a_flow_that_falls_while_the_gas_leaves_is_forecast(slowing, way):
    # Such a volume was taken for a plain one, and its end forecast too early.
    height = lambda turns: (1 + slowing * turns) ** (-1 / slowing)  # noqa: E731
    whole = ((0.25**-slowing) - 1) / slowing * TAU
    times = [(i + 0.5) * way * whole / 24 for i in range(24)]
    found = forecast_purge(times, [0.3 * height(t / TAU) for t in times], 0.075, 0.0,
                           seen_begin=False)
    assert isinstance(found, PurgeForecast)
    low, _, high = found.remaining
    assert low <= whole - times[-1] <= high


def test_an_end_that_lies_beyond_the_feed_and_one_that_does_not_come_are_refused():
    times, oxygen = _readings(lambda turns: turns)
    assert forecast_purge(times, oxygen, FEED, FEED).code == "never"
    assert forecast_purge(times[:7], oxygen[:7], TARGET, FEED).code == "too-few"
    assert forecast_purge(times[:8], [AIR] * 8, TARGET, FEED).code == "too-short"


@pytest.mark.parametrize("really", [0.0045, 0.007, 0.0095])
@pytest.mark.parametrize("way", [0.4, 0.6, 0.8])
def test_a_feed_that_is_not_quite_known_is_carried(really, way):
    # Half a percent more or less of 2 % is a third of what is left at the end.
    tau = math.log((AIR - really) / (TARGET - really)) * TAU
    times = [(i + 0.5) * way * tau / 24 for i in range(24)]
    oxygen = [really + (AIR - really) * math.exp(-t / TAU) for t in times]
    found = forecast_purge(times, oxygen, TARGET, 0.007, expected=1.05 * TAU, feed_error=0.003)
    assert isinstance(found, PurgeForecast)
    low, middle, high = found.remaining
    assert low <= tau - times[-1] <= high
    assert middle == pytest.approx(tau - times[-1], rel=0.2)
    sure = forecast_purge(times, oxygen, TARGET, 0.007, expected=1.05 * TAU)
    assert high - low > sure.remaining[2] - sure.remaining[0]


@pytest.mark.parametrize("way", [0.36, 0.5, 0.7])
def test_a_product_that_holds_more_than_where_its_runs_settle(way):
    # Six seconds of air in a run of four minutes: 0.5 % more than the analyser says.
    really = FEED + 0.005
    whole = math.log((AIR - really) / (TARGET - really)) * TAU
    times = [(i + 0.5) * way * whole / 24 for i in range(24)]
    oxygen = [really + (AIR - really) * math.exp(-t / TAU) for t in times]
    found = forecast_purge(times, oxygen, TARGET, FEED, expected=TAU, feed_error=0.001)
    assert isinstance(found, PurgeForecast)
    assert found.remaining[0] <= whole - times[-1] <= found.remaining[2]
