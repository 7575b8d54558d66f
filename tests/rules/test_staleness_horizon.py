"""Up to where it is said that nobody goes silent, nobody does; and it is said as far as may be."""

from __future__ import annotations

import random

import numpy
import pytest

from collector.rules.engine.batch.horizon import StalenessHorizon
from collector.rules.inputs import Inputs
from tests.rules.support import MINUTE, SECOND, T0, plant, settings

DEVICES = {"left": (10 * SECOND, ("gen1.tank_pressure", "gen1.mode")),
           "right": (10 * SECOND, ("r1.pressure",))}


def view() -> Inputs:
    return Inputs(plant(devices=DEVICES), settings())


def foresight(inputs: Inputs, times: dict[str, list[int]]) -> StalenessHorizon:
    return StalenessHorizon(inputs, [
        (inputs.point(name), numpy.array(at, numpy.int64)) for name, at in times.items()])


@pytest.mark.parametrize("seed", range(8))
def test_nobody_goes_silent_before_what_is_said(seed: int) -> None:
    rng, inputs = random.Random(seed), view()
    points = [name for _, names in DEVICES.values() for name in names]
    times = {
        name: [T0 + at for at in range(0, 30 * MINUTE, 10 * SECOND) if rng.random() > 0.3]
        for name in points
    }
    said = foresight(inputs, times)
    limits = {name: (inputs.point(name).max_gap(), inputs.point(name).source.limit())
              for name in points}
    sure = doubtful = 0
    for now in range(T0 + MINUTE, T0 + 30 * MINUTE, 5 * SECOND):
        until = said.known_until(now)
        assert until >= now
        for at in range(now, until, SECOND):
            for name in points:
                silent_for = at - max(t for t in times[name] if t < at)
                assert all(limit is not None and silent_for <= limit for limit in limits[name])
        sure += until > now
        doubtful += until == now
    assert sure > 100
    assert doubtful > 0


def test_it_reaches_as_far_as_the_readings() -> None:
    inputs = view()
    whole = {name: list(range(T0, T0 + MINUTE, 10 * SECOND))
             for _, names in DEVICES.values() for name in names}
    said = foresight(inputs, whole)
    # A point is unbroken for three polls and a half, its device answers for no shorter time.
    assert said.known_until(T0) == T0 + 50 * SECOND + 35 * SECOND
    assert said.known_until(T0 + 10 * MINUTE) == T0 + 10 * MINUTE


def test_a_device_of_which_nothing_comes_leaves_nothing_sure() -> None:
    inputs = view()
    inputs.begin(T0)
    said = foresight(inputs, {"r1.pressure": list(range(T0, T0 + MINUTE, 10 * SECOND))})
    assert said.known_until(T0) == T0
