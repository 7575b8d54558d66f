"""How a tank settles after a run, learned from falls that are made on paper."""

from __future__ import annotations

import math
import random

import pytest
from collector.rules.tankheat import TAUS, Heat, add_sample, empty_sums, fit_fall


def fall(tau: float, share: float, seed: int, noise: float = 0.1, minutes: int = 80) -> list[float]:
    """Return the sums of a fall of 0.05 psi/min after a run of 20 psi in 360 s, from cold."""
    dice, sums = random.Random(seed), empty_sums()
    warm = 20 * share * tau / 360 * (1 - math.exp(-360 / tau))
    for t in range(120, minutes * 60, 60):
        add_sample(sums, t, -0.05 * t / 60 + warm * math.exp(-t / tau) + dice.gauss(0.0, noise))
    return sums


def learned(tau: float, share: float, falls: int = 40) -> Heat:
    heat = Heat()
    for seed in range(falls):
        heat.rest_for(1e6)
        heat.run_for(360.0, 20.0)
        heat.learn(fall(tau, share, seed), 1.0)
    return heat


@pytest.mark.parametrize("tau", [430.0, 690.0, 900.0, 1100.0, 1390.0])
@pytest.mark.parametrize("share", [0.03, 0.05, 0.08])
def test_a_time_constant_between_those_tried_costs_hardly_anything(tau, share):
    assert min(abs(math.log(tau / t)) for t in TAUS) > 0.07
    heat = learned(tau, share)
    levels = [fit.level for seed in range(100, 140)
              if (fit := fit_fall(fall(tau, share, seed), heat)) is not None]
    assert sum(levels) / len(levels) == pytest.approx(0.0, abs=0.004 * 20)
    assert sum(s.weight for s in heat.shapes()) == pytest.approx(1.0, abs=1e-4)


def test_its_doubt_shrinks_as_falls_are_seen_and_grows_with_what_time_constants_differ_in():
    few, many = learned(900.0, 0.05, 4), learned(900.0, 0.05, 40)
    assert many.warm_doubt(360.0) < few.warm_doubt(360.0) < Heat().warm_doubt(360.0)
    # Falls of half an hour do not tell a slow settling from a slow leak.
    short = Heat()
    for seed in range(40):
        short.rest_for(1e6)
        short.run_for(360.0, 20.0)
        short.learn(fall(900.0, 0.05, seed, minutes=30), 1.0)
    assert short.warm_doubt(360.0) > 2 * many.warm_doubt(360.0)


def test_the_level_is_as_doubtful_as_its_samples_stray():
    heat = learned(900.0, 0.05)
    fits = [f for seed in range(200, 260)
            if (f := fit_fall(fall(900.0, 0.05, seed), heat)) is not None]
    mean = sum(f.level for f in fits) / len(fits)
    spread = math.sqrt(sum((f.level - mean) ** 2 for f in fits) / len(fits))
    assert spread == pytest.approx(fits[0].doubt, rel=0.5)


def test_a_run_that_turns_out_to_have_brought_more_is_warmer():
    heat = Heat()
    heat.run_for(300.0, 10.0)
    heat.rest_for(600.0)
    before = list(heat.held)
    heat.run_for(360.0, 15.0)
    first = list(heat.held)
    heat.raised(20.0)
    for was, low, high, tau in zip(before, first, heat.held, TAUS, strict=True):
        kept = was * math.exp(-360.0 / tau)
        assert high - kept == pytest.approx((low - kept) * 20 / 15)
