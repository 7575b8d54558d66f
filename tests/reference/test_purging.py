"""Section D: purging, row by row."""

import pytest

from collector.physics.atmosphere import OXYGEN_IN_AIR
from collector.physics.purge import sweep_oxygen, sweep_time, sweep_volumes


def test_kosha_sweep():
    # KOSHA Guide C-C-85-2026, Annex 3, equation 12; second hand.
    assert round(28 * sweep_volumes(0.21, 0.0125, 0.0001), 1) == 79.2
    assert round(28 * sweep_volumes(0.21, 0.0125)) == 79


def test_textbook_sweep():
    # Textbook Problem 7.1 (probably Tosun); second hand.
    assert 80 * sweep_volumes(0.21, 0.01) == pytest.approx(243.6, abs=0.05)


def test_textbook_feed():
    # Problem 7.4: 300 kg of water, fed at 10 %, to 5 %; second hand. The way that is left falls
    # from 1 to 1/2.
    assert sweep_time(1.0, 0.5, 150) == pytest.approx(104, abs=0.05)
    assert 0.1 * (1 - sweep_oxygen(1.0, 103.97, 150)) == pytest.approx(0.05, abs=1e-5)


def test_rules_of_thumb():
    # A sheet after Branan: 3.1 volumes (from a chart). Read.
    assert sweep_volumes(0.21, 0.01) == pytest.approx(3.1, abs=0.06)


def test_another_sheet():
    # 20 to 5 %: 1.39 volumes; read.
    assert sweep_volumes(0.20, 0.05) == pytest.approx(1.39, abs=0.005)


def test_crowl_and_louvar():
    # Statement read, answer from memory: 2830 ft3.
    assert 1000 * sweep_volumes(0.21, 0.0125, 0.0001) == pytest.approx(2830, abs=2)


@pytest.mark.parametrize(("feed", "volumes"), [(0.0, 2.349), (0.005, 2.612), (0.01, 2.993)])
def test_volumes_to_two_percent(feed, volumes):
    # Computed. The project's own case: the product's oxygen is not zero.
    assert sweep_volumes(OXYGEN_IN_AIR, 0.02, feed) == pytest.approx(volumes, abs=0.001)
