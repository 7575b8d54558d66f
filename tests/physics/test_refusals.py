"""Wrong arguments are refused with what was given; data that cannot answer are refused with why."""

import math
import random

import pytest

from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.charts import Cusum, Ewma
from collector.physics.decay import Decay, fit_decay
from collector.physics.dilution import clearing_time, oxygen_partial_pressure
from collector.physics.distributions import normal_quantile, student_quantile
from collector.physics.estimate import Estimate, Refusal
from collector.physics.gas import amount, nitrogen_compressibility, pressure, standard_molar_volume
from collector.physics.leak import leak_between, leak_rate
from collector.physics.leastsquares import fit_curve
from collector.physics.mixing import sweep_oxygen_changing
from collector.physics.orifice import orifice_diameter, orifice_flow
from collector.physics.pumpup import free_air_delivered, pump_up_time
from collector.physics.purge import cycle_oxygen, sweep_time_constant, sweep_volumes
from collector.physics.purgefit import fit_purge, purge_completion
from collector.physics.regression import fit_line
from collector.physics.robust import mann_kendall, sen_line
from collector.physics.runlength import cusum_limit, cusum_run_length, ewma_run_length
from collector.physics.sequential import Sprt, bernoulli_step

NAN = math.nan

WRONG = [
    (lambda: pressure_at_altitude(20_000), "20000"),
    (lambda: pressure_at_altitude(NAN), "nan"),
    (lambda: amount(-1, 1, 300), "-1"),
    (lambda: amount(1e5, 0, 300), "volume_m3"),
    (lambda: amount(1e5, 1, -20), "-20"),
    (lambda: amount(NAN, 1, 300), "nan"),
    (lambda: pressure(1, 1, 0), "temperature_k"),
    (lambda: standard_molar_volume(60 - 459), "-399"),
    (lambda: nitrogen_compressibility(1e7, 300), "10000000"),
    (lambda: pump_up_time(1, 2e5, 1e5, 1e5, 0.01), "200000"),
    (lambda: pump_up_time(1, 1e5, 2e5, 1e5, 0.01, 0.02), "never fills"),
    (lambda: free_air_delivered(1, 2e5, 1e5, 60, 1e5), "p2_pa"),
    (lambda: sweep_time_constant(100, 0), "flow_mol_per_s"),
    (lambda: sweep_volumes(20.9, 2), "20.9"),
    (lambda: sweep_volumes(0.21, 0.02, 0.03), "never"),
    (lambda: cycle_oxygen(0.21, -1, 1, 2), "-1"),
    (lambda: cycle_oxygen(0.21, 1, 2, 1), "low_pa"),
    (
        lambda: sweep_oxygen_changing(
            0.2, 300, amount_mol=1, inflow_mol_per_s=0, outflow_mol_per_s=1
        ),
        "nothing is left",
    ),
    (lambda: purge_completion(0.1, 0.1, 0.2), "target"),
    (lambda: leak_between(1, 1e5, 290, 1e5, 290, 0), "elapsed_s"),
    (lambda: leak_rate([0.0] * 9, [1e5] * 9, [290.0] * 8, 1), "alike"),
    (lambda: leak_rate(range(9), [1e5] * 9, [-5.0] * 9, 1), "-5.0"),
    (lambda: orifice_flow(1, 1e5, 2e5, 290), "200000"),
    (lambda: orifice_diameter(1, 1e5, 1e5, 290), "pass nothing"),
    (lambda: clearing_time(1.0, 1), "1.0"),
    (lambda: oxygen_partial_pressure(20.9), "20.9"),
    (lambda: normal_quantile(1.0), "1.0"),
    (lambda: student_quantile(0.9, 0), "freedom"),
    (lambda: Estimate(value=NAN, deviation=1), "nan"),
    (lambda: Estimate(value=1, deviation=-1), "-1"),
    (lambda: Estimate(value=1, deviation=0).over(Estimate(value=0, deviation=1)), "divide"),
    (lambda: fit_line([1, 2, 3], [1, 2, 3]), "at least 4"),
    (lambda: fit_line([1, 1, 1, 1], [1, 2, 3, 4]), "one time"),
    (lambda: fit_line([1, 2, 3, 4], [1, 2, 3, 4], [1, 1, 1, 0]), "weight"),
    (lambda: sen_line([0, 1], [1, 2]), "at least 3"),
    (lambda: mann_kendall([1, 2, 3]), "at least 4"),
    (lambda: Cusum(target=0, slack=-1, limit=4), "-1"),
    (lambda: Ewma(target=0, deviation=1, weight=0), "weight"),
    (lambda: cusum_run_length(0.5, 0), "limit"),
    (lambda: cusum_limit(0.5, 1), "run_length"),
    (lambda: ewma_run_length(0.001, 3), "0.001"),
    (lambda: Sprt(false_alarm=0.6, missed=0.5), "0.6"),
    (lambda: bernoulli_step(True, 0, 0.5), "healthy"),
    (lambda: fit_decay([0, 2, 1], [1, 2, 3]), "rise"),
    (lambda: fit_curve(lambda t, b: t / b[0], [1, 2], [1, 2], [0.0]), "start"),
]


@pytest.mark.parametrize(("call", "named"), WRONG, ids=range(len(WRONG)))
def test_a_wrong_argument_is_refused_and_named(call, named):
    with pytest.raises(ValueError, match=named):
        call()


def _purge(turns, *, count=120, noise=0.001, feed=0.005, seed=1, step=0.001, stall=None):
    """Oxygen readings over a span of ``turns`` time constants of one day, with rounding."""
    rng = random.Random(seed)
    times = [turns * 86_400 * i / (count - 1) for i in range(count)]
    clean = [feed + (0.209476 - feed) * math.exp(-t / 86_400) for t in times]
    if stall is not None:
        clean = [max(x, stall) for x in clean]
    return times, [round((x + rng.gauss(0, noise)) / step) * step for x in clean]


def test_a_clean_purge_is_fitted_and_forecast_within_its_interval():
    times, oxygen = _purge(1.0)
    fit = fit_purge(times, oxygen, 0.02, 0.005)
    low, high = fit.time_constant.interval(0.99)
    assert low < 86_400 < high
    due = 86_400 * math.log((0.209476 - 0.005) / 0.015) - times[-1]
    low, high = fit.remaining.interval(0.99)
    assert low < due < high
    assert fit.completion == pytest.approx(times[-1] / (due + times[-1]), abs=0.02)


def test_a_purge_that_stalls_above_the_target_is_called_stalled():
    found = fit_purge(*_purge(3.0, stall=0.08), 0.02, 0.005)
    assert isinstance(found, Refusal)
    assert found.code == "stalled"


def test_a_truncated_run_is_refused_not_extrapolated():
    found = fit_purge(*_purge(0.05, noise=0.0001, step=0.0001), 0.02, 0.005)
    assert isinstance(found, Refusal)
    assert found.code == "too-short"


def test_a_sensor_that_only_scatters_is_not_falling():
    rng = random.Random(3)
    times = [3600.0 * i for i in range(60)]
    found = fit_purge(times, [0.1 + rng.gauss(0, 0.003) for _ in times], 0.02, 0.005)
    assert isinstance(found, Refusal)
    assert found.code in {"not-falling", "too-noisy", "stalled"}


def test_noise_that_drowns_the_fall_is_refused():
    times, oxygen = _purge(0.3, count=20, noise=0.06)
    assert isinstance(fit_purge(times, oxygen, 0.02, 0.005), Refusal)


def test_a_feed_above_the_target_never_gets_there():
    assert fit_purge(*_purge(1.0), 0.02, 0.03).code == "never"


def test_a_frozen_sensor_is_no_purge():
    times = [3600.0 * i for i in range(60)]
    assert fit_purge(times, [0.12] * 60, 0.02, 0.005).code in {"not-falling", "stalled"}


def test_an_unknown_floor_needs_the_bend():
    times, oxygen = _purge(0.3, noise=0.003)
    assert isinstance(fit_decay(times, oxygen, floor=None), Refusal)
    times, oxygen = _purge(4.0)
    bent = fit_decay(times, oxygen, floor=None)
    assert isinstance(bent, Decay)
    assert bent.floor.value == pytest.approx(0.005, abs=0.002)
    assert bent.time_constant == pytest.approx(86_400, rel=0.03)


def test_too_few_samples_are_no_leak_rate():
    assert leak_rate([0, 1, 2], [1e5] * 3, [290.0] * 3, 1.0).code == "too-few"


def test_a_curve_the_samples_do_not_depend_on_is_refused():
    fit = fit_curve(lambda t, b: b[0] + 0 * b[1], [1, 2, 3, 4], [1, 2, 3, 4], [0.0, 1.0])
    assert isinstance(fit, Refusal)
