"""Wrong arguments are refused with what was given; data that cannot answer are refused with why."""

import math

import pytest

from collector.physics.atmosphere import pressure_at_altitude
from collector.physics.distributions import normal_quantile, student_quantile
from collector.physics.estimate import Estimate
from collector.physics.gas import amount, standard_molar_volume
from collector.physics.leak import leak_rate
from collector.physics.orifice import orifice_flow
from collector.physics.pumpup import pump_up_time
from collector.physics.purge import sweep_time_constant, sweep_volumes
from collector.physics.regression import fit_line
from collector.physics.robust import mann_kendall, sen_line

NAN = math.nan

WRONG = [
    (lambda: pressure_at_altitude(20_000), "20000"),
    (lambda: pressure_at_altitude(NAN), "nan"),
    (lambda: amount(-1, 1, 300), "-1"),
    (lambda: amount(1e5, 0, 300), "volume_m3"),
    (lambda: amount(1e5, 1, -20), "-20"),
    (lambda: amount(NAN, 1, 300), "nan"),
    (lambda: standard_molar_volume(60 - 459), "-399"),
    (lambda: pump_up_time(1, 2e5, 1e5, 1e5, 0.01), "200000"),
    (lambda: pump_up_time(1, 1e5, 2e5, 1e5, 0.01, 0.02), "never fills"),
    (lambda: sweep_time_constant(100, 0), "flow_mol_per_s"),
    (lambda: sweep_volumes(20.9, 2), "20.9"),
    (lambda: sweep_volumes(0.21, 0.02, 0.03), "never"),
    (lambda: leak_rate([0.0] * 9, [1e5] * 9, [290.0] * 8, 1), "alike"),
    (lambda: leak_rate(range(9), [1e5] * 9, [-5.0] * 9, 1), "-5.0"),
    (lambda: orifice_flow(1, 1e5, 2e5, 290), "200000"),
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
]


@pytest.mark.parametrize(("call", "named"), WRONG, ids=range(len(WRONG)))
def test_a_wrong_argument_is_refused_and_named(call, named):
    with pytest.raises(ValueError, match=named):
        call()


def test_too_few_samples_are_no_leak_rate():
    assert leak_rate([0, 1, 2], [1e5] * 3, [290.0] * 3, 1.0).code == "too-few"
