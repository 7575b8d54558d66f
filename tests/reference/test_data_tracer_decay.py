"""Helium release and ventilation decay in a reduced-scale garage (NIST, 2009)."""

import csv
from collections import Counter

import pytest

from collector.physics.estimate import Refusal
from collector.physics.purgeforecast import forecast_purge

pytestmark = pytest.mark.data

DECAYS = ("14400_LC_ULV", "14400_LC_SLV", "3600_LC_SSV")
TRUNCATED = "3600_LR_SLV"
SENSORS = (0, 3, 8)
"""The mean of all eight (0) and two of them."""
WAITS = (600.0, 1800.0, 5400.0)
"""s after the release ended at which the readings begin."""
WAYS = (0.3, 0.45, 0.6, 0.75)
"""Shares of the time to the target that have passed when it is forecast."""
ROWS = 24


@pytest.fixture(scope="module")
def table(open_data):
    found = {}
    with (open_data / "tracer_decay" / "helium_release_decay.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            values = [float(row[f"Sensor #{i}"]) / 100 for i in range(1, 9)]
            found.setdefault(row["test"], []).append(
                (float(row["Time"]), (sum(values) / 8, *values)))
    return found


def _decay(table, test, sensor, wait):
    """Return times and helium fractions from ``wait`` s after the end of the release."""
    begin = float(test.split("_")[0]) + wait
    rows = [(t - begin, v[sensor]) for t, v in table[test] if t >= begin]
    return [t for t, _ in rows], [v for _, v in rows]


def _rows(times, values, count):
    """Return means over 24 stretches of the first ``count`` readings."""
    edges = [i * count // ROWS for i in range(ROWS + 1)]
    spans = [(a, b) for a, b in zip(edges, edges[1:], strict=False) if b > a]
    return ([sum(times[a:b]) / (b - a) for a, b in spans],
            [sum(values[a:b]) / (b - a) for a, b in spans])


def _reached(values, target):
    """Return the reading about which the mean of five is at the target first."""
    return next((i for i in range(2, len(values) - 2) if sum(values[i - 2:i + 3]) / 5 <= target),
                None)


def _forecasts(table, wait):
    """Yield each forecast with what was really left: to the last level, and to 60 % of the way."""
    for test in DECAYS:
        for sensor in SENSORS:
            times, values = _decay(table, test, sensor, wait)
            end = sum(values[-10:]) / 10
            for share in (1.0, 0.6):
                target = values[0] * (end / values[0]) ** share
                at = _reached(values, target)
                if at is None:
                    continue
                for way in WAYS:
                    t, x = _rows(times, values, int(way * at))
                    yield forecast_purge(t, x, target, 0.0, seen_begin=False), times[at] - t[-1]


@pytest.mark.slow
def test_forecasts_hold_as_often_as_they_say(table):
    # The forecast knows neither volume nor flow. What it misses is in the first minutes, while the
    # gas still mixes. Of all nine series 82, 95 and 100 % hold by the wait, together 535 of 581.
    held, made, refused, late = 0, 0, Counter(), 0
    for wait in WAITS:
        inside = tried = 0
        for found, left in _forecasts(table, wait):
            if isinstance(found, Refusal):
                refused[found.code] += 1
                continue
            low, _, high = found.remaining
            tried += 1
            inside += low <= left <= high
            late += left > high
        print(f"from {wait:.0f} s after the release: {inside} of {tried} ({inside / tried:.3f})")
        assert inside / tried > 0.75
        held, made = held + inside, made + tried
    print(f"together: {held} of {made} ({held / made:.3f}); {late} came later than forecast; "
          f"refused: {dict(refused)}")
    assert made > 150
    assert 0.85 <= held / made <= 0.97
    assert set(refused) <= {"too-short", "not-one-rate"}


def test_the_truncated_run_is_refused(table):
    # It stops at 5 100 s, before the decay that is asked for begins.
    assert _decay(table, TRUNCATED, 0, 1800.0) == ([], [])
    times, values = _decay(table, TRUNCATED, 0, 600.0)
    found = forecast_purge(times, values, 0.1, 0.0, seen_begin=False)
    assert isinstance(found, Refusal)
    assert found.code == "too-short"


@pytest.mark.parametrize("test", DECAYS)
def test_a_decay_that_is_disturbed_is_refused(table, test):
    # The same readings, a tenth lower for a quarter of the time: off by ten times as much.
    times, values = _decay(table, test, 0, 1800.0)
    quarter = len(values) // 4
    for i in range(quarter, 2 * quarter):
        values[i] *= 0.9
    found = forecast_purge(*_rows(times, values, len(values)), 0.5 * min(values), 0.0,
                           seen_begin=False)
    assert isinstance(found, Refusal)
    assert found.code == "not-one-rate"
