"""What feeds a riser, told from analysers that show it only while the compressor runs."""

from __future__ import annotations

import math
import random

import pytest

from collector.rules.productgas import ProductGas
from tests.rules.support import DAY, HOUR, MINUTE, SECOND, T0, series, story

OXYGEN, RUN, MODE = "gen1.product_oxygen", "gen1.compressor_running", "gen1.mode"


def gas_of(s) -> ProductGas:
    return next(e for e in s.monitor._engine.estimators.estimators if isinstance(e, ProductGas))


def runs(at):
    return float(at % HOUR < 12 * MINUTE)


@pytest.mark.parametrize("rest", [0.0, None, 20.9, "hold"])
def test_a_rest_tells_nothing_of_the_product(rest):
    # 1.1 % once the line is flushed, 150 s after the start; what a rest shows differs by analyser.
    def oxygen(at):
        t = at % HOUR / 1000
        if t < 12 * 60:
            return round(1.1 + 10 * math.exp(-t / 60), 2)
        return 1.1 if rest == "hold" else rest

    s = story().feed(series({RUN: runs, MODE: 1, OXYGEN: oxygen}, end=6 * HOUR))
    percent, at = gas_of(s).level(T0 + 6 * HOUR, DAY)
    assert percent == pytest.approx(1.1, abs=0.05)
    assert T0 + 5 * HOUR < at < T0 + 5 * HOUR + 12 * MINUTE


def test_a_run_that_ends_before_its_reading_settles_is_extrapolated():
    # The time constant is half of the run: the last reading is 2.6 % too high.
    s = story().feed(series({RUN: runs, MODE: 1, OXYGEN: lambda at: 1.1 + 19.0 * math.exp(
        -(at % HOUR) / (6 * MINUTE))}, end=6 * HOUR))
    percent, _ = gas_of(s).level(T0 + 6 * HOUR, DAY)
    assert percent == pytest.approx(1.1, abs=0.3)


def test_a_line_and_an_analyser_that_lag_alike_are_told_apart_from_the_product():
    # 122 s of flushing and 59 s of the analyser's own, in steps of 0.1: it bends twice, and the end
    # of one exponential alone would lie at zero or below.
    rng = random.Random(7)

    def oxygen(at):
        t = at % HOUR / 1000
        risen = 16.0 * 122 / (122 - 59) * (math.exp(-t / 122) - math.exp(-t / 59))
        return round(0.65 + 0.5 * math.exp(-t / 59) + risen + rng.gauss(0, 0.03), 1)

    s = story().feed(series({RUN: lambda at: float(at % HOUR < 8 * MINUTE), MODE: 1,
                             OXYGEN: oxygen}, end=4 * HOUR, every=15 * SECOND))
    percent, _ = gas_of(s).level(T0 + 4 * HOUR, DAY)
    assert percent == pytest.approx(0.65, abs=0.1)


def test_runs_of_a_few_readings_tell_nothing():
    s = story().feed(series({RUN: lambda at: float(at % HOUR < 3 * MINUTE), MODE: 1, OXYGEN: 9.0},
                            end=4 * HOUR, every=MINUTE))
    assert gas_of(s).level(T0 + 4 * HOUR, DAY) is None


def test_air_fill_is_no_product():
    s = story().feed(series({RUN: runs, MODE: 2, OXYGEN: 20.9}, end=6 * HOUR))
    assert gas_of(s).level(T0 + 6 * HOUR, DAY) is None
