"""Inverses and limiting cases: every formula is held from a second and a third side."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.physics.dilution import oxygen_after_release, oxygen_during_release
from collector.physics.estimate import Estimate
from collector.physics.gas import amount, pressure
from collector.physics.leak import compensated_drop, leak_between, pressure_drop
from collector.physics.mixing import second_volume_oxygen, sweep_oxygen_changing
from collector.physics.orifice import critical_pressure_ratio, orifice_diameter, orifice_flow
from collector.physics.pumpup import delivery, demand, pump_up_time, receiver_volume
from collector.physics.purge import cycle_oxygen, cycles_needed, sweep_oxygen, sweep_time
from collector.physics.tightness import (
    ACCEPTANCE,
    IN_SERVICE,
    PSI,
    allowed_flow,
    allowed_psi_per_day,
)

pressures = st.floats(1e4, 1e6)
temperatures = st.floats(250, 330)
volumes = st.floats(0.01, 50)


@given(pressures, volumes, temperatures, st.floats(0.99, 1.01))
def test_pressure_is_the_inverse_of_amount(p, v, t, z):
    n = amount(p, v, t, compressibility=z)
    assert pressure(n, v, t, compressibility=z) == pytest.approx(p, rel=1e-12)


@given(st.floats(0.06, 1), st.floats(0.02, 0.05), st.floats(0, 0.01), st.floats(1, 1e7))
def test_a_sweep_reaches_its_target_at_its_time(x0, target, feed, tau):
    t = sweep_time(x0, target, tau, feed)
    assert sweep_oxygen(x0, t, tau, feed) == pytest.approx(target, rel=1e-9)


@given(st.floats(0.06, 1), st.floats(0.001, 0.05), st.floats(1.01, 9))
def test_cycles_needed_is_the_inverse_of_cycles(x0, target, ratio):
    whole = math.ceil(cycles_needed(x0, target, 1.0, ratio))
    assert cycle_oxygen(x0, whole, 1.0, ratio) <= target * (1 + 1e-9)
    assert cycle_oxygen(x0, max(0, whole - 1), 1.0, ratio) >= target * (1 - 1e-9)


@given(st.floats(0, 5e4), st.floats(10, 1e5))
def test_equal_flows_are_the_plain_sweep(t, tau):
    flow = 1000 / tau
    changing = sweep_oxygen_changing(
        0.2, t, amount_mol=1000, inflow_mol_per_s=flow, outflow_mol_per_s=flow, feed=0.01
    )
    assert changing == pytest.approx(sweep_oxygen(0.2, t, tau, 0.01), rel=1e-12)


def test_filling_without_a_vent_dilutes_by_the_amounts():
    x = sweep_oxygen_changing(
        0.21, 100, amount_mol=100, inflow_mol_per_s=1, outflow_mol_per_s=0, feed=0.0
    )
    assert x == pytest.approx(0.105)


@given(st.floats(0, 3e4), st.floats(100, 1e4))
def test_a_small_first_volume_leaves_one_volume(t, tau):
    lagged = second_volume_oxygen(0.2, t, tau * 1e-6, tau)
    assert lagged == pytest.approx(sweep_oxygen(0.2, t, tau), rel=1e-4, abs=1e-12)


def test_equal_volumes_in_series_are_the_limit_of_nearly_equal_ones():
    near = second_volume_oxygen(0.2, 100, 100, 100.001)
    assert second_volume_oxygen(0.2, 100, 100, 100) == pytest.approx(near, rel=1e-5)
    assert near == pytest.approx(0.2 * 2 / math.e, rel=1e-4)


@given(volumes, st.floats(1e5, 4e5), st.floats(1e3, 4e5), st.floats(1e-4, 0.1))
def test_the_tank_that_filled_has_its_volume(v, p1, rise, q):
    t = pump_up_time(v, p1, p1 + rise, 101_325, q)
    assert receiver_volume(rise, t, q, 101_325) == pytest.approx(v, rel=1e-6)


def test_demand_and_delivery_come_back_from_the_slopes_they_make():
    v, pa, q, drawn = 0.227, 100_800.0, 3e-3, 4e-4
    off = Estimate(value=-drawn * pa / v, deviation=0.01 * drawn * pa / v, freedom=30)
    on = Estimate(value=(q - drawn) * pa / v, deviation=0.02 * (q - drawn) * pa / v, freedom=10)
    d = demand(off, v, pa)
    assert d.value == pytest.approx(drawn)
    assert d.deviation == pytest.approx(0.01 * drawn)
    whole = delivery(on, d, v, pa)
    assert whole.value == pytest.approx(q)
    assert whole.deviation == pytest.approx(math.hypot(0.02 * (q - drawn), 0.01 * drawn))
    low, high = whole.interval()
    assert low < q < high


def test_a_compressor_that_only_meets_the_demand_holds_the_tank():
    assert pump_up_time(1, 2e5, 2e5, 1e5, 0.01) == 0


@given(st.floats(1.2e5, 9e5), temperatures, st.floats(1e-4, 5e-3))
def test_the_hole_of_a_leak_passes_that_leak(p, t, d):
    flow = orifice_flow(math.pi / 4 * d * d, p, 101_325, t)
    assert orifice_diameter(flow, p, 101_325, t) == pytest.approx(d, rel=1e-9)


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
    flow = leak_between(1.7, 380_000, 290, 375_000, 290, 86_400)
    assert pressure_drop(flow, 1.7, 290) == pytest.approx(5_000)
    assert compensated_drop(380_000, 290, 375_000, 290) == pytest.approx(5_000)


def test_a_fall_with_the_temperature_is_no_leak():
    assert leak_between(1.7, 380_000, 300, 380_000 * 280 / 300, 280, 3600) == pytest.approx(0)


def test_the_permitted_leak_scales_with_volume_and_shrinks_with_pressure():
    at_test = allowed_flow(IN_SERVICE, 1.7, 40 * PSI, 101_325, 290)
    assert allowed_flow(IN_SERVICE, 3.4, 40 * PSI, 101_325, 290) == pytest.approx(2 * at_test)
    assert allowed_flow(IN_SERVICE, 1.7, 20 * PSI, 101_325, 290) == pytest.approx(
        at_test * 34.696 / 54.696, rel=1e-3
    )
    assert allowed_psi_per_day(IN_SERVICE, 10 * PSI, 101_325) < 36
    ratio = allowed_flow(ACCEPTANCE, 1.7, 40 * PSI, 101_325, 290) / at_test
    assert ratio == pytest.approx(1.5 / 24 / (3 / 2))


def test_a_room_without_release_stays_and_with_fan_settles():
    assert oxygen_during_release(1e4, 50, 0, 0) == 0.209476
    settled = oxygen_during_release(1e9, 50, 0.1, 0.4)
    assert settled == pytest.approx(0.209476 * 0.75)
    blown = oxygen_during_release(1e9, 50, 0.1, 0.4, blown_in=True)
    assert blown == pytest.approx(0.209476 * 0.8)
    assert oxygen_during_release(1e9, 50, 0.4, 0.1) == pytest.approx(0, abs=1e-12)
    assert oxygen_after_release(settled, 1e9, 1e-3) == pytest.approx(0.209476)
    assert oxygen_after_release(settled, 0, 1e-3) == settled
