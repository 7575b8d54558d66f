"""Section B: oxygen that people need."""

import pytest

from collector.physics.atmosphere import OXYGEN_IN_AIR
from collector.physics.dilution import (
    OXYGEN_DEFICIENT,
    OXYGEN_ENRICHED,
    clearing_time,
    fatality_factor,
    oxygen_partial_pressure,
    sea_level_equivalent,
)

# CDC MMWR 43 (RR-13), 28 October 1994, table S3-1: air changes per hour, minutes for 90, 99 and
# 99.9 %. Read.
CDC = """
1 138 276 414; 2 69 138 207; 3 46 92 138; 4 35 69 104; 5 28 55 83; 6 23 46 69; 7 20 39 59;
8 17 35 52; 9 15 31 46; 10 14 28 41; 11 13 25 38; 12 12 23 35; 13 11 21 32; 14 10 20 30;
15 9 18 28; 16 9 17 26; 17 8 16 24; 18 8 15 23; 19 7 15 22; 20 7 14 21; 25 6 11 17; 30 5 9 14;
35 4 8 12; 40 3 7 10; 45 3 6 9; 50 3 6 8
"""
CDC_ROWS = [tuple(map(int, row.split())) for row in CDC.split(";")]


def test_the_table_is_whole():
    assert 3 * len(CDC_ROWS) == 78


@pytest.mark.parametrize("row", CDC_ROWS, ids=lambda r: f"{r[0]}-per-hour")
def test_clearing_times_of_the_cdc_table(row):
    changes, *minutes = row
    computed = [round(clearing_time(s, changes / 3600) / 60) for s in (0.9, 0.99, 0.999)]
    assert computed == minutes


def test_limits():
    # OSHA letter of 2 April 2007 on 29 CFR 1910.134: "below 19.5 percent to be oxygen-deficient
    # and immediately dangerous". Read. Enriched above 23.5 %: 29 CFR 1910.146(b), second hand.
    assert OXYGEN_DEFICIENT == 0.195
    assert OXYGEN_ENRICHED == 0.235


def test_fresh_air_on_a_mountain():
    # McManus 2009: 19.5 % at sea level corresponds to 610 m. Computed 19.47 %.
    assert 100 * sea_level_equivalent(610) == pytest.approx(19.47, abs=0.01)


def test_fatality_factor():
    # LBNL, JLab, Fermilab oxygen deficiency hazard model; second hand.
    assert fatality_factor(135 / 760 * (1 - 1e-12)) == pytest.approx(1e-7, rel=1e-6)
    assert fatality_factor(65 / 760) == pytest.approx(1.0)
    assert fatality_factor(0.02) == 1.0
    assert fatality_factor(OXYGEN_IN_AIR) == 0.0


def test_partial_pressures_it_rounds():
    # The same: 18 % and 8.8 % at 760 mmHg are 136.8 and 66.9 mmHg.
    for oxygen, mmhg in ((0.18, 136.8), (0.088, 66.9)):
        found = oxygen_partial_pressure(oxygen) / 101_325 * 760
        assert found == pytest.approx(mmhg, abs=0.05)
