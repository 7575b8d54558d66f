"""Forecasts for pipes that are none of those tried, by readings that are all a little off."""

import math

import pytest

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
