"""Inverses and limiting cases: every formula is held from a second and a third side."""


import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.physics.gas import amount
from collector.physics.leak import leak_rate, pressure_drop
from collector.physics.orifice import critical_pressure_ratio, orifice_flow
from collector.physics.pumpup import pump_up_time
from collector.physics.purge import sweep_oxygen, sweep_time
from collector.physics.tightness import IN_SERVICE, PSI, allowed_flow, allowed_psi_per_day

pressures = st.floats(1e4, 1e6)
temperatures = st.floats(250, 330)
volumes = st.floats(0.01, 50)


@given(pressures, volumes, temperatures)
def test_what_a_pipe_holds_is_what_its_pressure_loses_with_it(p, v, t):
    assert pressure_drop(amount(p, v, t), v, t, 1.0) == pytest.approx(p, rel=1e-12)


@given(st.floats(0.06, 1), st.floats(0.02, 0.05), st.floats(0, 0.01), st.floats(1, 1e7))
def test_a_sweep_reaches_its_target_at_its_time(x0, target, feed, tau):
    t = sweep_time(x0, target, tau, feed)
    assert sweep_oxygen(x0, t, tau, feed) == pytest.approx(target, rel=1e-9)


def test_a_compressor_that_only_meets_the_demand_holds_the_tank():
    assert pump_up_time(1, 2e5, 2e5, 1e5, 0.01) == 0


def test_choking_begins_without_a_step_and_at_about_0_9_bar():
    p = 101_325 / critical_pressure_ratio()
    assert (p - 101_325) / 1e5 == pytest.approx(0.9, abs=0.03)
    below, above = (orifice_flow(1e-6, p * f, 101_325, 290) for f in (0.99999, 1.00001))
    assert below == pytest.approx(above, rel=1e-4)
    assert orifice_flow(1e-6, 2 * p, 101_325, 290) == pytest.approx(
        2 * orifice_flow(1e-6, p, 101_325, 290)
    )
    assert orifice_flow(1e-6, 1e5, 1e5, 290) == 0


def test_a_leak_is_the_same_seen_as_flow_and_as_pressure():
    times = [7200.0 * i for i in range(13)]
    falling = [380_000 - 5_000 * t / 86_400 for t in times]
    flow = leak_rate(times, falling, [290.0] * 13, 1.7)
    assert pressure_drop(flow.value, 1.7, 290) == pytest.approx(5_000)


def test_a_fall_with_the_temperature_is_no_leak():
    kelvin = [300 - 20 * i / 8 for i in range(9)]
    falling = [380_000 * k / 300 for k in kelvin]
    flow = leak_rate([450.0 * i for i in range(9)], falling, kelvin, 1.7)
    assert flow.value == pytest.approx(0, abs=1e-12)


def test_the_permitted_leak_scales_with_volume_and_shrinks_with_pressure():
    at_test = allowed_flow(IN_SERVICE, 1.7, 40 * PSI, 101_325, 290)
    assert allowed_flow(IN_SERVICE, 3.4, 40 * PSI, 101_325, 290) == pytest.approx(2 * at_test)
    assert allowed_flow(IN_SERVICE, 1.7, 20 * PSI, 101_325, 290) == pytest.approx(
        at_test * 34.696 / 54.696, rel=1e-3
    )
    assert allowed_psi_per_day(IN_SERVICE, 10 * PSI, 101_325) < 36
