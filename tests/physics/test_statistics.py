"""Our statistics against scipy and pymannkendall, and intervals against their promise."""

import json
import math
import random

import numpy as np
import pymannkendall
import pytest
from scipy import stats

from collector.physics.distributions import (
    normal_cdf,
    normal_quantile,
    student_cdf,
    student_quantile,
    two_sided_factor,
)
from collector.physics.estimate import Estimate
from collector.physics.regression import effective_count, fit_line
from collector.physics.robust import mad_deviation, mann_kendall, sen_line
from collector.physics.sums import LineSums, MeanSums


def _correlated(rng, count, rho, deviation=1.0):
    error, out = rng.gauss(0, deviation), []
    for _ in range(count):
        out.append(error)
        error = rho * error + rng.gauss(0, deviation * math.sqrt(1 - rho * rho))
    return out


@pytest.mark.parametrize("p", [1e-6, 0.01, 0.3, 0.5, 0.9, 0.975, 1 - 1e-6])
@pytest.mark.parametrize("nu", [0.5, 1, 2, 3.7, 10, 100, 5000, math.inf])
def test_student_against_scipy(p, nu):
    t = student_quantile(p, nu)
    assert t == pytest.approx(stats.t.ppf(p, nu) if nu != math.inf else stats.norm.ppf(p), rel=1e-7)
    assert student_cdf(t, nu) == pytest.approx(p, rel=1e-7)


@pytest.mark.parametrize("z", [-30, -8, -1.5, 0, 0.7, 5])
def test_normal_against_scipy(z):
    assert normal_cdf(z) == pytest.approx(stats.norm.cdf(z), rel=1e-11)
    if -6 < z < 6:
        assert normal_quantile(normal_cdf(z)) == pytest.approx(z, abs=1e-9)


@pytest.mark.parametrize("nu", [9.9e5, 1.1e6, 1e8])
@pytest.mark.parametrize("p", [0.01, 0.6, 0.95, 0.9995])
def test_student_of_very_many_degrees_against_scipy(p, nu):
    assert student_quantile(p, nu) == pytest.approx(stats.t.ppf(p, nu), rel=1e-8)
    assert student_cdf(1.3, nu) == pytest.approx(stats.t.cdf(1.3, nu), rel=1e-9)


def test_more_degrees_of_freedom_than_digits_are_the_normal():
    # The deviations of a sum whose exact part is tiny leave as many.
    for nu in (1e12, 1e16, 2e22, 1e200):
        assert two_sided_factor(0.90, nu) == pytest.approx(1.6448536, rel=1e-6)
        assert student_cdf(1.6448536, nu) == pytest.approx(0.95, rel=1e-6)


def test_factor_is_rounded_harmlessly():
    for nu in (1, 2.345, 7.891, 33.33, 1234.5):
        exact = stats.t.ppf(0.95, nu)
        assert two_sided_factor(0.90, nu) == pytest.approx(exact, rel=2e-3)


def test_line_against_scipy_when_errors_are_independent():
    rng = random.Random(4)
    t = [i + rng.random() for i in range(50)]
    y = [3 - 0.2 * x + rng.gauss(0, 0.5) for x in t]
    ours, theirs = fit_line(t, y, correlated=False), stats.linregress(t, y)
    assert ours.slope.value == pytest.approx(theirs.slope)
    assert ours.intercept == pytest.approx(theirs.intercept)
    assert ours.slope.deviation == pytest.approx(theirs.stderr)


def test_weighted_line_against_numpy():
    rng = random.Random(5)
    t = list(range(30))
    w = [1 + rng.random() * 9 for _ in t]
    y = [2 + 0.3 * x + rng.gauss(0, 1 / math.sqrt(a)) for x, a in zip(t, w, strict=True)]
    slope, intercept = np.polyfit(t, y, 1, w=np.sqrt(w))
    ours = fit_line(t, y, w, correlated=False)
    assert ours.slope.value == pytest.approx(slope)
    assert ours.intercept == pytest.approx(intercept)
    _, cov = np.polyfit(t, y, 1, w=np.sqrt(w), cov=True)
    assert ours.slope.deviation == pytest.approx(math.sqrt(cov[0, 0]))


@pytest.mark.parametrize(("count", "rho"), [(60, 0.0), (60, 0.5), (300, 0.5), (300, 0.9)])
def test_slope_intervals_cover_as_often_as_they_say(count, rho):
    rng = random.Random(count + int(10 * rho))
    hits = plain = 0
    for _ in range(300):
        y = [0.01 * i + e for i, e in enumerate(_correlated(rng, count, rho))]
        low, high = fit_line(range(count), y).slope.interval(0.90)
        hits += low <= 0.01 <= high
        low, high = fit_line(range(count), y, correlated=False).slope.interval(0.90)
        plain += low <= 0.01 <= high
    assert 0.85 <= hits / 300 <= 0.97
    if rho >= 0.5:
        assert plain / 300 < 0.80, "the plain interval would have done; the test is too easy"


@pytest.mark.parametrize("weight", [0.3, 0.6])
def test_slope_intervals_cover_where_noise_hides_a_slow_drift(weight):
    # Neighbours then look hardly alike, though the drift lasts for some twenty of 1440.
    rng = random.Random(20)
    hits = 0
    for _ in range(200):
        drift = _correlated(rng, 1440, 0.95, math.sqrt(weight))
        y = [e + rng.gauss(0, math.sqrt(1 - weight)) for e in drift]
        low, high = fit_line(range(1440), y).slope.interval(0.90)
        hits += low <= 0.0 <= high
    assert 0.85 <= hits / 200 <= 0.97


def test_sen_line_against_scipy():
    rng = random.Random(7)
    for ties in (False, True):
        t = [float(i) for i in range(25)]
        y = [0.3 * x + rng.gauss(0, 2) for x in t]
        y = [float(round(v)) for v in y] if ties else y
        ours, theirs = sen_line(t, y, level=0.9), stats.theilslopes(y, t, alpha=0.9)
        assert ours.slope == pytest.approx(theirs.slope)
        assert (ours.low, ours.high) == pytest.approx((theirs.low_slope, theirs.high_slope))


def test_sen_line_withstands_what_least_squares_does_not():
    t = [float(i) for i in range(40)]
    y = [0.5 * x for x in t]
    for i in range(0, 40, 5):
        y[i] = 999.0
    assert sen_line(t, y).slope == pytest.approx(0.5)


def test_mad_against_scipy():
    rng = random.Random(8)
    x = [rng.gauss(5, 3) for _ in range(101)]
    assert mad_deviation(x) == pytest.approx(
        stats.median_abs_deviation(x, scale="normal"), rel=1e-9
    )


def test_mann_kendall_against_pymannkendall():
    rng = random.Random(9)
    for trend, rho in ((0.0, 0.0), (0.05, 0.0), (0.02, 0.6)):
        x = [round(trend * i + e, 1) for i, e in enumerate(_correlated(rng, 60, rho))]
        ours, theirs = mann_kendall(x), pymannkendall.original_test(x)
        assert ours.score == theirs.s
        assert ours.variance == pytest.approx(theirs.var_s)
        assert ours.z == pytest.approx(theirs.z)
        assert ours.p == pytest.approx(theirs.p, abs=1e-9)


def test_lag_one_correction_keeps_false_trends_rare():
    rng = random.Random(10)
    plain = corrected = 0
    for _ in range(200):
        x = _correlated(rng, 60, 0.6)
        plain += mann_kendall(x).p < 0.05
        corrected += mann_kendall(x, lag_one=True).p < 0.05
    assert plain / 200 > 0.15
    assert corrected / 200 < 0.12


@pytest.mark.parametrize("cut", [1, 3, 77, 199])
def test_sums_are_the_batch_fit_however_they_are_fed(cut):
    rng = random.Random(13)
    t = [1.7e9 + 10 * i + rng.random() for i in range(200)]
    y = [
        300_000 - 0.01 * (x - t[0]) + e for x, e in zip(t, _correlated(rng, 200, 0.7), strict=True)
    ]
    whole, first, second = LineSums(), LineSums(), LineSums()
    for a, b in zip(t, y, strict=True):
        whole.add(a, b)
    first.add_many(t[:cut], y[:cut])
    second.add_many(t[cut:], y[cut:])
    first.merge(LineSums.load(json.loads(json.dumps(second.dump()))))
    direct = fit_line([x - t[0] for x in t], y)
    # Sums know of neighbours only: their deviation is the direct one by its lag-one correlation.
    counted = effective_count(200, direct.lag_one)
    deviation = direct.white_deviation * math.sqrt(198 / (counted - 2))
    for sums in (whole, first):
        line = sums.line()
        assert line.slope.value == pytest.approx(direct.slope.value, rel=1e-6)
        assert line.slope.deviation == pytest.approx(deviation, rel=0.05)
        assert line.lag_one == pytest.approx(direct.lag_one, abs=0.02)
        assert line.middle.value == pytest.approx(direct.middle.value, rel=1e-12)
        assert sums.span == t[-1] - t[0]


def test_sums_say_nothing_before_they_can():
    sums = LineSums()
    assert sums.line() is None
    sums.add_many([5, 5, 5, 5], [1, 2, 3, 4])
    assert sums.line() is None
    assert MeanSums().estimate() is None


def test_mean_sums_against_numpy_and_through_json():
    rng = random.Random(14)
    x = [1e9 + rng.gauss(0, 1) for _ in range(500)]
    a, b = MeanSums(), MeanSums()
    a.add_many(x[:200])
    for v in x[200:]:
        b.add(v)
    a.merge(MeanSums.load(json.loads(json.dumps(b.dump()))))
    a.merge(MeanSums.load(MeanSums().dump()))
    assert a.count == 500
    assert a.mean == pytest.approx(np.mean(x), rel=1e-15)
    assert a.variance == pytest.approx(np.var(x, ddof=1), rel=1e-6)
    assert (a.low, a.high) == (min(x), max(x))
    assert a.estimate().deviation == pytest.approx(stats.sem(x), rel=1e-6)


def test_propagated_intervals_cover_as_often_as_they_say():
    rng = random.Random(15)
    hits = 0
    for _ in range(2000):
        a = _estimated(rng, 3.0, 0.3, 6)
        b = _estimated(rng, 2.0, 0.1, 11)
        low, high = a.times(b).minus(a.scaled(0.0)).interval(0.90)
        hits += low <= 6.0 <= high
    assert 0.87 <= hits / 2000 <= 0.93


def _estimated(rng, truth, scatter, count):
    x = [rng.gauss(truth, scatter) for _ in range(count)]
    sums = MeanSums()
    sums.add_many(x)
    found = sums.estimate()
    assert isinstance(found, Estimate)
    return found
