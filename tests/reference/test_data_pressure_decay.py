"""Sealed compressed-air chambers (E. Zillen, TU Delft thesis 2021, CC0)."""

import csv

import pytest

from collector.physics.charts import Cusum
from collector.physics.estimate import Estimate
from collector.physics.leak import leak_rate
from collector.physics.regression import fit_line
from collector.physics.robust import mad_deviation, median, sen_line

pytestmark = pytest.mark.data

# Least-squares slopes, bar/min, as listed with the data set.
LISTED = {"Aluminium": -0.0141, "Ultimaker_006": -0.0223, "Prusa": -0.0422}
GROSS = "Ultimaker_015"


def _read(folder, name):
    with (folder / "pressure_decay" / f"{name}.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    return [float(r["t_s"]) for r in rows], [float(r["pressure_bar"]) for r in rows]


@pytest.mark.parametrize(("name", "listed"), LISTED.items())
def test_slopes_and_their_intervals(open_data, name, listed):
    line = fit_line(*_read(open_data, name))
    assert 60 * line.slope.value == pytest.approx(listed, abs=0.00006)
    low, high = line.slope.interval(0.90)
    assert low < listed / 60 < high
    # The errors remember each other: the plain interval would be too narrow.
    assert line.lag_one > 0.3
    assert line.slope.deviation > 1.3 * line.white_deviation


@pytest.mark.parametrize(("name", "listed"), LISTED.items())
def test_the_robust_slope_agrees(open_data, name, listed):
    times, bar = _read(open_data, name)
    line = sen_line(times[::5], bar[::5])
    assert 60 * line.slope == pytest.approx(listed, rel=0.08)


def test_chambers_rank_with_intervals_that_do_not_touch(open_data):
    # The temperature was not recorded: held constant here, and the gas a litre at 293 K.
    rates = []
    for name in LISTED:
        times, bar = _read(open_data, name)
        pascal = [1e5 * b + 101_325 for b in bar]
        rate = leak_rate(times, pascal, [293.0] * len(times), 1e-3)
        assert isinstance(rate, Estimate)
        rates.append(rate.interval(0.90))
    for (_, high), (low, _) in zip(rates, rates[1:], strict=False):
        assert high < low


def _first_alarm(times, bar):
    """Chart of the steps of the medians of a second, its scale from the first 5 s."""
    seconds = [median(bar[i : i + 10]) for i in range(0, len(bar) - 9, 10)]
    at = [times[i + 9] for i in range(0, len(bar) - 9, 10)]
    steps = [b - a for a, b in zip(seconds, seconds[1:], strict=False)]
    scale = max(mad_deviation(steps[:5]), 0.005)  # never below the resolution of the gauge
    chart = Cusum(target=0.0, slack=scale, limit=5 * scale)
    for when, state in zip(at[1:], chart.follow(steps), strict=True):
        if chart.alarmed(state) < 0:
            return when
    return None


def test_a_gross_leak_is_seen_within_seconds(open_data):
    times, bar = _read(open_data, GROSS)
    began = next(t for t, b in zip(times, bar, strict=True) if b < bar[0] - 0.2)
    seen = _first_alarm(times, bar)
    assert seen is not None
    assert seen - began < 3.0


@pytest.mark.parametrize("name", LISTED)
def test_a_slow_leak_raises_no_gross_alarm(open_data, name):
    assert _first_alarm(*_read(open_data, name)) is None


def test_a_gross_leak_is_not_a_line(open_data):
    line = fit_line(*_read(open_data, GROSS))
    low, high = line.slope.interval(0.90)
    assert line.residual_deviation > 0.5
    assert line.effective_count < 10
    assert high - low > abs(line.slope.value)
