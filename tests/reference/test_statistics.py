"""Section K: run lengths, charts, trends and sequential tests against printed figures."""

import math

import pytest

from collector.physics.charts import Cusum, Ewma
from collector.physics.robust import mann_kendall, sen_line
from collector.physics.runlength import (
    cusum_run_length,
    cusum_run_length_markov,
    ewma_run_length,
    two_sided_cusum_run_length,
)
from collector.physics.sequential import Decision, Sprt, bernoulli_step


@pytest.mark.parametrize(
    ("shift", "printed"),
    [(0, 168), (0.25, 74.2), (0.5, 26.6), (0.75, 13.3), (1, 8.38), (1.5, 4.75), (2, 3.34),
     (2.5, 2.62), (3, 2.19), (4, 1.71), (5, 1.31)],
)  # fmt: skip
def test_lucas_and_crosier(shift, printed):
    # Technometrics 1982, table 1, k 0.5, h 4, two-sided; second hand (CRAN spc).
    assert float(f"{two_sided_cusum_run_length(0.5, 4, shift):.3g}") == printed


@pytest.mark.parametrize(("shift", "printed"), [(0, 465), (1, 10.4)])
def test_montgomery_run_lengths(shift, printed):
    # Quoted; k 0.5, h 5, two-sided.
    assert float(f"{two_sided_cusum_run_length(0.5, 5, shift):.3g}") == printed


@pytest.mark.parametrize(("shift", "printed"), [(0, 117.59), (1.5, 3.75)])
@pytest.mark.parametrize("method", [cusum_run_length, cusum_run_length_markov])
def test_brook_and_evans(method, shift, printed):
    # Biometrika 1972, one-sided, k 0.5, h 3; second hand. Computed 117.60.
    assert method(0.5, 3, shift) == pytest.approx(printed, abs=0.011)


def test_sas():
    # SAS/QC 1999: 4.1500836225 for k 0.25, h 8, shift 2.5; second hand. Computed 4.15008373.
    assert cusum_run_length(0.25, 8, 2.5) == pytest.approx(4.1500836225, abs=2e-7)


@pytest.mark.parametrize(
    ("shift", "printed"),
    [(-0.25, 2071.51), (-0.125, 400.28), (0, 124.66), (0.125, 59.30), (0.25, 36.71), (0.5, 20.37),
     (0.75, 14.06), (1, 10.75)],
)  # fmt: skip
def test_vance(shift, printed):
    # Vance 1986, one-sided, k 0, h 10; second hand. His 2071.51 computes to 2071.57.
    assert cusum_run_length(0, 10, shift) == pytest.approx(printed, rel=1e-4, abs=0.011)


CROWDER = [(0, 26.45, 127.53), (0.25, 20.12, 43.94), (0.5, 11.89, 18.97), (0.75, 7.29, 11.64),
           (1, 4.91, 8.38), (1.25, 3.59, 6.56), (2, 1.95, 4.04), (4, 1.05, 2.15)]  # fmt: skip


@pytest.mark.parametrize(("shift", "fast", "slow"), CROWDER)
def test_crowder(shift, fast, slow):
    # Technometrics 1987, L 2, lambda 0.5 and 0.05; second hand. His 3.95 at 1.25 is a misprint
    # for 3.59, and he prints 1.94 where 1.945 is computed.
    assert ewma_run_length(0.5, 2, shift) == pytest.approx(fast, abs=0.0051)
    assert ewma_run_length(0.05, 2, shift) == pytest.approx(slow, abs=0.0051)


SACCUCCI = [(0, 500, 500), (0.25, 255, 76.7), (0.5, 88.8, 29.3), (0.75, 35.9, 17.6),
            (1, 17.5, 12.6), (1.5, 6.53, 8.07), (2, 3.63, 5.99), (3, 1.93, 4.03),
            (5, 1.07, 2.55)]  # fmt: skip


@pytest.mark.parametrize(("shift", "fast", "slow"), SACCUCCI)
def test_lucas_and_saccucci(shift, fast, slow):
    # Technometrics 1990, lambda 0.5 L 3.071 and lambda 0.03 L 2.437; second hand.
    assert float(f"{ewma_run_length(0.5, 3.071, shift):.3g}") == fast
    assert float(f"{ewma_run_length(0.03, 2.437, shift):.3g}") == slow


NIST_EWMA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3,
             47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
NIST_EWMA_OUT = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11,
                 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip


def test_nist_ewma_chart():
    # NIST e-Handbook 6.3.2.4; second hand. The page truncates a factor, so that its lower limit
    # 47.4115 computes to 47.4116.
    chart = Ewma(target=50, deviation=2.0539, weight=0.3)
    low, high = chart.limits()
    assert high == pytest.approx(52.5884, abs=5e-5)
    assert low == pytest.approx(47.4115, abs=1e-4)
    states = list(chart.follow(NIST_EWMA))
    assert [round(s.average, 2) for s in states] == NIST_EWMA_OUT
    assert not any(chart.alarmed(s) for s in states)


NIST_CUSUM = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225,
              324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775,
              326.875, 328.350]  # fmt: skip


def test_nist_cusum_chart():
    # NIST e-Handbook 6.3.2.3; data and figures from memory.
    chart = Cusum(target=325, slack=0.3175, limit=4.1959)
    states = list(chart.follow(NIST_CUSUM))
    alarms = [i for i, s in enumerate(states, 1) if chart.alarmed(s)]
    assert alarms[0] == 14
    seen = [s.high for s in states[12:]]
    assert seen == pytest.approx([3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04], abs=0.011)


MONTGOMERY = [9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51,
              9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60,
              11.08, 10.38, 11.62, 11.31, 10.52]  # fmt: skip


def test_montgomery_cusum_chart():
    # Montgomery's 30 points (data read at IMSL, result from memory): C+ 5.28 at 29, N+ 7.
    chart = Cusum(target=10, slack=0.5, limit=5)
    states = list(chart.follow(MONTGOMERY))
    assert [i for i, s in enumerate(states, 1) if chart.alarmed(s)][0] == 29
    assert states[27].high == pytest.approx(4.47, abs=0.005)
    assert states[28].high == pytest.approx(5.28, abs=0.005)
    assert states[28].high_run == 7


def test_montgomery_ewma_chart():
    # The same, lambda 0.1, L 2.7: z28 10.573 is inside 10.619, z29 10.647 is not (from memory).
    chart = Ewma(target=10, deviation=1, weight=0.1, width=2.7)
    states = list(chart.follow(MONTGOMERY))
    assert states[27].average == pytest.approx(10.573, abs=0.002)
    assert [i for i, s in enumerate(states, 1) if chart.alarmed(s)][0] == 29
    assert ewma_run_length(0.1, 2.7, 1) == pytest.approx(9.73, abs=0.01)


EPA = [10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15]


def test_epa_mann_kendall():
    # EPA QA/G-9S p. 109: S 22, variance 155.33, Z 1.685; second hand. Sen slope 1.0.
    found = mann_kendall(EPA)
    assert found.score == 22
    assert found.variance == pytest.approx(155.33, abs=0.005)
    assert found.z == pytest.approx(1.685, abs=0.0005)
    assert sen_line(range(11), EPA).slope == 1.0


@pytest.mark.parametrize(
    ("n", "critical"), [(4, 6), (5, 8), (6, 11), (7, 13), (8, 16), (9, 18), (10, 21)]
)
def test_small_sample_critical_scores(n, critical):
    # S for 95 % one-sided (EQuIS help after EPA; for 4 it gives no larger one). The normal
    # approximation of z is close to 5 % there and clearly not significant two steps lower.
    assert 0.03 < mann_kendall(_series(n, critical)).p / 2 < 0.07
    assert mann_kendall(_series(n, critical - 4)).p / 2 > 0.07


def _series(n, score):
    """A series without ties that has the given score: each swap of neighbours takes 2."""
    values = list(range(n))
    swaps = (n * (n - 1) // 2 - score) // 2
    while swaps:
        for i in range(n - 1):
            if swaps and values[i] < values[i + 1]:
                values[i], values[i + 1] = values[i + 1], values[i]
                swaps -= 1
    assert mann_kendall(values).score == score
    return values


def test_wald_by_nist():
    # p 0.01 and 0.10, alpha 0.05, beta 0.10: accept below -0.939 + 0.0397 n, reject above
    # 1.205 + 0.0397 n; A 18, B 0.105. From memory.
    test = Sprt(false_alarm=0.05, missed=0.10)
    assert math.exp(test.upper) == pytest.approx(18)
    assert math.exp(test.lower) == pytest.approx(0.105, abs=0.0005)
    yes, no = (bernoulli_step(b, 0.01, 0.10) for b in (True, False))
    assert test.lower / (yes - no) == pytest.approx(-0.939, abs=0.0005)
    assert test.upper / (yes - no) == pytest.approx(1.205, abs=0.0005)
    assert -no / (yes - no) == pytest.approx(0.03975, abs=5e-6)
    # Two failures at once are above the reject line, 1.205 + 0.08; 24 good ones are accepted.
    assert test.decide(2 * yes) is Decision.FAULTY
    assert test.decide(23 * no) is Decision.GO_ON
    assert test.decide(24 * no) is Decision.HEALTHY
