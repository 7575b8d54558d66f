"""A real air compressor and its tank: MetroPT-3 (Davari et al. 2021, UCI 791, CC BY 4.0).

Only the slice of 1 February 2020 is known to be healthy; nothing is claimed of the other months.
"""

import csv
import gzip
from datetime import datetime

import pytest

from collector.physics.estimate import Estimate
from collector.physics.regression import fit_line

pytestmark = pytest.mark.data

STEP = 9.91  # s between the rows of the failure windows
FROZEN = ("TP2", "TP3", "H1", "DV_pressure", "Reservoirs", "Oil_temperature", "Motor_current")


def _loaded(row):
    """Loaded as the data set's notes define it."""
    return float(row["TP2"]) > 5 and float(row["Motor_current"]) > 4.5 and float(row["H1"]) < 1


def _spans(flags):
    """Give state, first row and the row after the last one of each stretch."""
    begin = 0
    for i in range(1, len(flags) + 1):
        if i == len(flags) or flags[i] != flags[begin]:
            yield flags[begin], begin, i
            begin = i


@pytest.fixture(scope="module")
def healthy(open_data):
    path = open_data / "compressor_metropt3" / "healthy_2020-02-01_10s.csv"
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    first = datetime.fromisoformat(rows[0]["timestamp"])
    times = [(datetime.fromisoformat(r["timestamp"]) - first).total_seconds() for r in rows]
    return times, [float(r["TP3"]) for r in rows], [_loaded(r) for r in rows]


@pytest.fixture(scope="module")
def failures(open_data):
    path = open_data / "compressor_metropt3" / "failure_f1_f2_10s.csv.gz"
    with gzip.open(path, "rt", newline="") as file:
        rows = list(csv.DictReader(file))
    return {w: [r for r in rows if r["window"] == w] for w in ("F1", "F2")}


def test_runs_cut_in_and_cut_out(healthy):
    times, bar, loaded = healthy
    runs = [(a, b) for on, a, b in _spans(loaded) if on]
    assert len(runs) == 5
    assert all(99 <= times[b] - times[a] <= 109 for a, b in runs)
    assert all(bar[a - 1] == pytest.approx(8.07, abs=0.02) for a, _ in runs)
    assert all(10.05 <= max(bar[a : b + 2]) <= 10.11 for a, b in runs)
    periods = [(times[b[0]] - times[a[0]]) / 60 for a, b in zip(runs, runs[1:], strict=False)]
    assert all(33 <= p <= 34.5 for p in periods)
    share = sum(times[b] - times[a] for a, b in runs) / times[-1]
    assert 100 * share == pytest.approx(5.1, abs=0.15)


def _off_slopes(healthy, settle):
    times, bar, loaded = healthy
    for on, a, b in _spans(loaded):
        if on or times[b - 1] - times[a] < 1200:
            continue
        first = next(i for i in range(a, b) if a == 0 or times[i] - times[a] >= settle)
        yield fit_line([t - times[a] for t in times[first:b]], bar[first:b]).slope


def test_decay_with_the_compressor_off(healthy):
    # -0.056 to -0.057 bar/min in every cycle. The fall is steeper just after a run, while the tank
    # cools, and flatter towards its end, as its leak shrinks with the pressure.
    slopes = list(_off_slopes(healthy, settle=450.0))
    assert len(slopes) == 5
    for slope in slopes:
        assert 60 * slope.value == pytest.approx(-0.0565, abs=0.0009)
        low, high = (60 * x for x in slope.interval(0.90))
        assert low <= -0.0555
        assert high >= -0.0575


def test_demand_and_delivery_with_propagated_intervals(healthy):
    # The tank's volume is not published: free air at 1 bar per m3 of tank.
    times, bar, loaded = healthy
    drawn = [s.scaled(-1.0) for s in _off_slopes(healthy, settle=450.0)]
    delivered = []
    for on, a, b in _spans(loaded):
        if on:
            t, p = times[a + 1 : b], bar[a + 1 : b]
            rise = fit_line([x - t[0] for x in t], p).slope
            delivered.append(rise.plus(drawn[len(delivered)]))
    assert len(delivered) == 5
    values = [d.value for d in delivered]
    assert max(values) / min(values) < 1.08
    mean = sum(values) / len(values)
    for found, need in zip(delivered, drawn, strict=True):
        assert isinstance(found, Estimate)
        low, high = found.interval(0.90)
        assert low < mean < high
        # It delivers some twenty times what is drawn, as the duty of 5 % says.
        assert need.value / found.value == pytest.approx(0.042, abs=0.006)


def _long_run_row(rows, limit_s=600.0):
    """First row at which one loaded stretch has lasted longer than the limit."""
    for on, a, b in _spans([_loaded(r) for r in rows]):
        for i in range(a, b):
            if on and (i - a + 1) * STEP > limit_s:
                return i
    return None


def test_a_long_run_never_when_healthy(healthy):
    times, _, loaded = healthy
    assert all(times[min(b, len(times) - 1)] - times[a] < 600 for on, a, b in _spans(loaded) if on)


@pytest.mark.parametrize(("window", "row"), [("F1", 151), ("F2", 60)])
def test_a_long_run_in_both_failures(failures, window, row):
    assert _long_run_row(failures[window]) == row


def test_the_first_failure_begins_with_a_frozen_logger(failures):
    rows = failures["F1"]
    alike = [all(r[c] == rows[0][c] for c in FROZEN) for r in rows]
    assert alike.index(False) == 91
    assert max(float(r["TP3"]) for r in rows) < 10.0  # cut-out is never reached
    # Once it runs, no two rows are bit-identical.
    assert not any(a == b for a, b in _pairs(rows[91:]))


def _pairs(rows):
    bare = [[r[c] for c in FROZEN] for r in rows]
    return zip(bare, bare[1:], strict=False)


def test_a_frozen_stretch_is_told_from_a_steady_plant(healthy, failures):
    frozen = [float(r["TP3"]) for r in failures["F1"][:91]]
    assert len(set(frozen)) == 1
    _, bar, loaded = healthy
    for on, a, b in _spans(loaded):
        for i in range(a, b - 30):
            assert on or len(set(bar[i : i + 30])) > 1
