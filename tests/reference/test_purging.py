"""Section D: purging, row by row."""

import math

import pytest

from collector.physics.atmosphere import OXYGEN_IN_AIR
from collector.physics.mixing import second_volume_oxygen, sweep_oxygen_changing
from collector.physics.purge import (
    cycle_gas,
    cycle_oxygen,
    cycles_needed,
    sweep_oxygen,
    sweep_time,
    sweep_volumes,
)

ATM = 101_325.0
CUBIC_FOOT = 0.028316846592
GALLON = 3.785411784e-3
POUND = 0.45359237


def test_kosha_sweep():
    # KOSHA Guide C-C-85-2026, Annex 3, equation 12; second hand.
    assert round(28 * sweep_volumes(0.21, 0.0125, 0.0001), 1) == 79.2
    assert round(28 * sweep_volumes(0.21, 0.0125)) == 79


def test_kosha_vacuum_cycles():
    # Annex 2: P_L rounded to 0.026 atm for the gas, 298 K, nitrogen 28 g/mol; second hand.
    j = cycles_needed(0.21, 1e-6, 20, 760)
    assert j == pytest.approx(3.37, abs=0.005)
    assert math.ceil(j) == 4
    mol = cycle_gas(4, 0.026 * ATM, ATM, 3.8, 298)
    assert mol == pytest.approx(605.4, abs=0.05)
    assert mol * 0.028 == pytest.approx(16.95, abs=0.005)
    # Unrounded, 20 mmHg and 298.15 K: 604.94 mol (computed).
    assert cycle_gas(4, 20 / 760 * ATM, ATM, 3.8, 298.15) == pytest.approx(604.94, abs=0.01)


def test_kosha_pressure_cycles():
    # Annex 2: P_H rounded to 6.32 atm; second hand.
    j = cycles_needed(0.21, 1e-6, 1, 6.32)
    assert j == pytest.approx(6.65, abs=0.005)
    assert math.ceil(j) == 7
    mol = cycle_gas(7, ATM, 6.32 * ATM, 3.8, 298)
    assert mol == pytest.approx(5787, abs=0.5)
    assert mol * 0.028 == pytest.approx(162.04, abs=0.02)
    # 5.5 kgf/cm2 gauge is 6.323 atm absolute (computed).
    high = 1 + 5.5 * 98_066.5 / ATM
    assert high == pytest.approx(6.323, abs=5e-4)


def test_textbook_sweep():
    # Textbook Problem 7.1 (probably Tosun); second hand.
    assert 80 * sweep_volumes(0.21, 0.01) == pytest.approx(243.6, abs=0.05)


def test_textbook_tanks_in_series():
    # Problem 7.2; second hand.
    assert second_volume_oxygen(0.5, 10, 20, 10) == pytest.approx(0.423, abs=0.0005)


def test_textbook_feed_and_changing_inventory():
    # Problem 7.4: 300 kg of water, fed at 10 %, to 5 %; second hand. The way that is left falls
    # from 1 to 1/2. The worked file of 7.4b is wrong, its printed answer 95.5 is right.
    assert sweep_time(1.0, 0.5, 150) == pytest.approx(104, abs=0.05)
    assert 0.1 * (1 - sweep_oxygen(1.0, 103.97, 150)) == pytest.approx(0.05, abs=1e-5)
    exact = 600 * (1 - 0.5**0.25)
    assert exact == pytest.approx(95.5, abs=0.05)
    way = sweep_oxygen_changing(
        1.0, exact, amount_mol=300, inflow_mol_per_s=2, outflow_mol_per_s=2.5
    )
    assert way == pytest.approx(0.5, rel=1e-12)


def test_rules_of_thumb():
    # A sheet after Branan: 3.1 volumes (from a chart), 2 cycles to 5 atm 0.84 %, n 4.4. Read.
    assert sweep_volumes(0.21, 0.01) == pytest.approx(3.1, abs=0.06)
    assert 100 * cycle_oxygen(0.21, 2, 1, 5) == pytest.approx(0.84)
    two = cycle_gas(2, ATM, 5 * ATM, 1, 300) / cycle_gas(1, 1e-9, ATM, 1, 300)
    assert two == pytest.approx(8)  # volumes of gas
    n = cycles_needed(0.21, 0.01, 0.5, 1)
    assert n == pytest.approx(4.4, abs=0.05)
    gas = cycle_gas(math.ceil(n), 0.5 * ATM, ATM, 1, 300)
    assert gas / cycle_gas(1, 1e-9, ATM, 1, 300) == pytest.approx(2.5)


def test_answer_citing_branan():
    # 21 % to 5 ppm from 6 mmHg, taken as 0.008 atm; second hand.
    assert cycles_needed(0.21, 5e-6, 0.008, 1) == pytest.approx(2.20, abs=0.005)
    three = cycle_gas(3, 0.008 * ATM, ATM, 1, 300) / cycle_gas(1, 1e-9, ATM, 1, 300)
    assert three == pytest.approx(2.976)
    assert cycles_needed(0.21, 5e-6, 6, 760) == pytest.approx(2.199, abs=0.0005)


def test_another_sheet():
    # 20 to 5 % with 100 psig: N 0.68, one cycle 2.57 %, sweep 1.39 volumes; read.
    assert cycles_needed(0.20, 0.05, 14.7, 114.7) == pytest.approx(0.68, abs=0.006)
    assert 100 * cycle_oxygen(0.20, 1, 14.7, 114.7) == pytest.approx(2.57, abs=0.01)
    assert sweep_volumes(0.20, 0.05) == pytest.approx(1.39, abs=0.005)


def test_crowl_and_louvar():
    # Statements read, answers from memory: 2830 ft3; 4 cycles and 1.33 lb-mol.
    assert 1000 * sweep_volumes(0.21, 0.0125, 0.0001) == pytest.approx(2830, abs=2)
    assert math.ceil(cycles_needed(0.21, 1e-6, 20, 760)) == 4
    mol = cycle_gas(4, 20 / 760 * ATM, ATM, 1000 * GALLON, (75 + 459.67) / 1.8)
    assert mol / (1000 * POUND) == pytest.approx(1.33, abs=0.005)


@pytest.mark.parametrize(("feed", "volumes"), [(0.0, 2.349), (0.005, 2.612), (0.01, 2.993)])
def test_volumes_to_two_percent(feed, volumes):
    # Computed. The project's own case: the product's oxygen is not zero.
    assert sweep_volumes(OXYGEN_IN_AIR, 0.02, feed) == pytest.approx(volumes, abs=0.001)


def test_fill_and_vent_cycles():
    # Computed: 14.7 and 54.7 psia, from air.
    cycles = [100 * cycle_oxygen(OXYGEN_IN_AIR, j, 14.7, 54.7) for j in (1, 2, 3)]
    assert cycles == pytest.approx([5.629, 1.513, 0.407], abs=0.001)
