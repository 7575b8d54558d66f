"""low-air-contact: the switch as wired, with and without a sensor beside it."""

from __future__ import annotations

import pytest

from tests.rules.support import HOUR, MINUTE, SECOND, T0, between, plant, series, story

C, LOW, P = "low-air-contact", "r1.low_air", "r1.pressure"
ALONE = {"io": (5 * SECOND, (LOW,))}


def test_the_switch_alone():
    s = story(plant(devices=ALONE)).feed(series({LOW: between(MINUTE, HOUR)}, end=2 * HOUR))
    assert s.moves(C) == [("raised", MINUTE + 6 * SECOND), ("returned", HOUR + 30 * SECOND)]
    event = s.alarms(C)[0]
    assert (event.signal.value, event.priority.value) == ("supervisory", "high")
    assert event.since == T0 + MINUTE
    assert "go by the gauge on the wall" in event.text


@pytest.mark.parametrize("period", [1, 2, 3])
def test_bounce(period):
    def bouncing(at: int) -> float:
        return float(at % ((period + 1) * 5 * SECOND) == 0)

    s = story(plant(devices=ALONE)).feed(series({LOW: bouncing}, end=HOUR))
    assert s.moves(C) == []


def test_the_measured_pressure_is_told_beside_it():
    s = story().feed(series({LOW: between(MINUTE, HOUR), P: between(MINUTE, HOUR, 12, 25)},
                            end=3 * MINUTE))
    event = s.alarms(C)[0]
    assert "reads 12.0 psi" in event.text
    assert event.values == {"low_air": 1, "pressure_psi": 12.0}


def test_a_switch_that_contradicts_the_sensor_says_so():
    s = story().feed(series({LOW: between(MINUTE, HOUR), P: 25}, end=5 * MINUTE))
    # It cannot be known which of them is right: both stand, and the one names the other.
    assert s.moves(C) == [("raised", MINUTE + 6 * SECOND)]
    assert s.moves("contact-disagreement") == [("raised", MINUTE + 30 * SECOND)]
    text = next(a.text for a in s.monitor.alarms() if a.condition == C)
    assert "Probably because of: Form C contact mismatch (Dock riser)" in text
    assert text.index("Probably") < text.index("Check in this order")


def test_without_a_switch_it_says_so():
    s = story(plant(devices={"io": (5 * SECOND, (P,))}))
    assert s.reason(C, "r1") == "no low-air switch at r1"
