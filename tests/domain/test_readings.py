"""Points, readings, the catalogue and the live picture."""

import doctest

import pytest

from collector.domain import readings as readings_module
from collector.domain.conditions import CATALOGUE
from collector.domain.live import LivePicture
from collector.domain.readings import Quality, Reading, point_kind, split_point


def test_doctests_hold():
    assert doctest.testmod(readings_module).failed == 0


@pytest.mark.parametrize("text", ["gen1", ".pressure", "gen1.", ""])
def test_what_is_not_a_point_is_refused(text):
    with pytest.raises(ValueError, match="not a point"):
        split_point(text)


def test_both_legs_of_a_contact_are_points_and_legs_of_a_number_are_not():
    assert point_kind("generator", "trouble_no").unit == "contact"
    assert point_kind("riser", "low_air_nc").is_contact
    assert point_kind("generator", "tank_pressure_no") is None
    assert point_kind("vent", "tank_pressure") is None


def test_every_condition_of_the_trade_is_in_the_catalogue():
    # The ids are final (they stand in files, messages and the API): one that goes is a break.
    ids = """
        compressor-long-run compressor-overduty compressor-short-cycling compressor-not-starting
        compressor-weak air-fill-stuck air-fill-frequent air-in-nitrogen-mode product-oxygen-high
        tank-leak pressure-low pressure-high pressure-falling-fast leak-high leak-growing
        oxygen-not-falling oxygen-rising oxygen-sensor-suspect vent-stuck-open vent-stuck-closed
        purge-blocked water-at-vent low-air-contact generator-trouble power-lost
        contact-disagreement room-oxygen-low low-temperature device-silent data-frozen service-due
        clock-jump journal-trouble delivery-failing site-silent
    """
    assert not set(ids.split()) - set(CATALOGUE)


def test_the_picture_keeps_the_last_good_value_under_a_bad_one():
    def reading(time, value, quality=Quality.GOOD):
        return Reading(point="r1.pressure", asked=time, time=time, value=value, quality=quality)

    picture = LivePicture()
    picture.update([reading(1, 25.0), reading(2, 25.0), reading(3, None, Quality.STALE)])
    state = picture.get("r1.pressure")
    assert (state.last.time, state.last_good.time, state.same_since) == (3, 2, 3)
