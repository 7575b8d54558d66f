"""The gas of a run by the rests about it, from tanks that are made on paper."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from collector.physics.rungain import TAUS, Block, RunGain, run_gain, solve_shared

RISE, RUN, REST, LOSS = 20.0, 360.0, 4800.0, 0.05 / 60


def gain(tau: float, share: float, seed: int, *, noise: float = 0.02, vent: float = 0.0,
         walk: float = 0.0) -> RunGain:
    """Return the gain of a run of 20 psi in 6 min; ``share`` of its rise is heat, from cold.

    A vent that draws ``vent`` psi/s opens 10 min after the stop, for 20 min.
    """
    dice = random.Random(seed)
    warm = RISE * share * tau / RUN * (1 - math.exp(-RUN / tau))
    lost = 0.0

    def blocks(start: float, level: float, heat: float) -> list[Block]:
        nonlocal lost
        found = []
        for at in range(60, int(REST), 120):
            opened = min(max(at - 600.0, 0.0), 1200.0) if heat else 0.0
            lost += walk * dice.gauss(0.0, math.sqrt(120.0))
            columns = [heat * 95.0 * (1 - math.exp(-RUN / t)) * math.exp(-at / t) for t in TAUS]
            pressure = level + heat * warm * math.exp(-at / tau) - vent * opened + lost
            found.append(Block(start + at, pressure - LOSS * (start + at)
                               + dice.gauss(0.0, noise), 6, [*columns, -opened]))
        return found

    found = run_gain(blocks(0.0, 80.0, 0.0), blocks(REST + RUN, 80.0 + RISE, 1.0), REST, REST + RUN)
    assert found is not None
    return found


def learned(gains: list[RunGain], noise: float, flow: float = 0.05) -> np.ndarray:
    """Return what the runs share."""
    normal = np.sum([g.normal for g in gains], axis=0).tolist()
    right = np.sum([g.right for g in gains], axis=0).tolist()
    return solve_shared(normal, right, noise, flow).values


def gas_of(gains: list[RunGain], values: np.ndarray) -> list[float]:
    return [g.gas - float(np.dot(g.sensitivity, values)) for g in gains]


@pytest.mark.parametrize("tau", [290.0, 410.0, 580.0, 820.0, 1150.0])
@pytest.mark.parametrize("share", [0.02, 0.04, 0.06])
def test_a_time_constant_between_those_tried_costs_hardly_anything(tau, share):
    assert min(abs(math.log(tau / t)) for t in TAUS) > 0.07
    gains = [gain(tau, share, seed) for seed in range(40)]
    gas = gas_of(gains, learned(gains, 0.02**2))
    # Beside the gas that the rise is: what left meanwhile.
    assert np.mean(gas) == pytest.approx(RISE, rel=0.005)


def test_gas_that_wanders_away_is_no_bias_and_its_deviation_is_told():
    # Six readings a block count as one of 0.1 / 6^(1/4) psi: neighbours say the same.
    gains = [gain(680.0, 0.04, seed, noise=0.1 / 6**0.25, walk=0.01) for seed in range(60)]
    gas = gas_of(gains, learned(gains, 0.1**2))
    assert np.mean(gas) == pytest.approx(RISE, rel=0.01)
    # These tanks do not wander in the run itself.
    told = math.sqrt(0.1**2 * gains[0].variance - 0.01**2 * RUN)
    assert np.std(gas) == pytest.approx(told, rel=0.25)


def test_a_vent_that_opens_in_a_rest_is_told_from_heat_and_loss():
    gains = [gain(480.0, 0.05, seed, vent=0.004) for seed in range(40)]
    values = learned(gains, 0.02**2)
    assert values[-1] == pytest.approx(0.004, rel=0.03)
    assert np.mean(gas_of(gains, values)) == pytest.approx(RISE, rel=0.005)


def test_without_rests_there_is_no_gain():
    block = Block(0.0, 80.0, 1, [])
    assert run_gain([], [block, block], 10.0, 20.0) is None
    assert run_gain([block, block, block], [block], 10.0, 20.0) is None


def test_what_regulators_pass_until_they_settle_leaves_heat_where_its_prior_is():
    gains = [gain(580.0, 0.13, seed) for seed in range(40)]
    normal = np.sum([g.normal for g in gains], axis=0).tolist()
    right = np.sum([g.right for g in gains], axis=0).tolist()
    known = solve_shared(normal, right, 0.02**2, 0.05)
    either = solve_shared(normal, right, 0.02**2, 0.05, settles=0.1)
    heat = known.values[:len(TAUS)].sum()
    assert heat > 0.03
    assert known.settled.sum() == pytest.approx(0.0, abs=1e-9)
    # 2.5 %, the prior, however well the rests are known; the whole bend stays the same.
    assert either.values[:len(TAUS)].sum() == pytest.approx(0.025, abs=0.002)
    assert (either.values[:len(TAUS)] + either.settled).sum() == pytest.approx(heat, rel=0.05)
    part = either.covariance[:len(TAUS), :len(TAUS)].sum()
    assert math.sqrt(part) == pytest.approx(0.012, rel=0.1)
