"""Section B: oxygen that people need."""

import pytest

from collector.config import default_settings
from collector.physics.atmosphere import OXYGEN_IN_AIR, STANDARD_PRESSURE, pressure_at_altitude
from collector.physics.purge import sweep_time

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
    computed = [round(sweep_time(1.0, 1.0 - s, 3600 / changes) / 60) for s in (0.9, 0.99, 0.999)]
    assert computed == minutes


def test_the_limit_of_a_room():
    # OSHA letter of 2 April 2007 on 29 CFR 1910.134: "below 19.5 percent to be oxygen-deficient
    # and immediately dangerous". Read.
    assert default_settings()["room-oxygen-low"]["limit"] == 19.5


def test_fresh_air_on_a_mountain():
    # McManus 2009: 19.5 % at sea level corresponds to 610 m. Computed 19.47 %.
    there = OXYGEN_IN_AIR * pressure_at_altitude(610) / STANDARD_PRESSURE
    assert 100 * there == pytest.approx(19.47, abs=0.01)
