"""pressure-low and its trap."""

from __future__ import annotations

import math

from collector.domain.plant import Riser
from tests.rules.support import DAY, HOUR, MINUTE, SECOND, between, plant, series, stale, story

P = "r1.pressure"
C = "pressure-low"


def test_raised_past_its_delay_and_returned_past_its_deadband():
    shape = lambda at: 25 if at < MINUTE else 15 if at < 5 * MINUTE else 18.2 if at < 6 * MINUTE \
        else 25  # noqa: E731
    s = story().feed(series({P: shape}, end=10 * MINUTE))
    # 18.2 psi is above the limit, but within the deadband: not back to normal.
    assert s.moves(C) == [("raised", MINUTE + 15 * SECOND), ("returned", 6 * MINUTE + 15 * SECOND)]
    event = s.alarms(C)[0]
    assert event.values == {"pressure_psi": 15.0, "limit_psi": 18.0}
    assert "Supervisory pressure is 15.0 psi; the limit is 18.0 psi." in event.text
    assert event.signal == "supervisory"


def test_metric_sites_read_bar():
    s = story(plant(units="metric")).feed(series({P: 15}, end=MINUTE))
    assert "is 1.03 bar; the limit is 1.24 bar" in s.alarms(C)[0].text


def test_trap_a_temperature_swing_inside_the_limits():
    swing = lambda at: 22 + 3 * math.sin(2 * math.pi * at / DAY)  # noqa: E731
    s = story().feed(series({P: swing}, end=2 * DAY, every=60 * SECOND))
    assert s.moves(C) == []


def test_one_low_sample_is_not_enough():
    s = story().feed(series({P: between(60 * SECOND, 65 * SECOND, 3, 25)}, end=5 * MINUTE))
    assert s.moves(C) == []


def test_noise_about_the_limit_gives_one_alarm():
    noise = lambda at: 17.9 + 0.3 * math.sin(at)  # noqa: E731
    s = story().feed(series({P: noise}, end=2 * HOUR))
    assert [m for m, _ in s.moves(C)] == ["raised"]


def test_absurd_values_marked_bad_change_nothing():
    rows = series({P: 25}, end=MINUTE)
    low = stale(series({P: 0}, start=MINUTE, end=2 * MINUTE))
    s = story().feed(rows).feed(low).feed(series({P: 25}, start=2 * MINUTE, end=3 * MINUTE))
    assert s.moves(C) == []


def test_an_alarm_stands_still_while_its_device_is_silent():
    s = story(plant(devices={"io": (5000, (P,))}))
    s.feed(series({P: 15}, end=MINUTE))
    s.feed(stale(series({P: 0}, start=MINUTE, end=10 * MINUTE)))
    assert [m for m, _ in s.moves(C)] == ["raised"]
    unknown = [v for v in s.monitor.evaluations() if v.condition == C]
    assert (unknown[0].state, unknown[0].because) == ("unknown", "io does not answer")
    assert "Not known at present: io does not answer" in next(
        a.text for a in s.monitor.alarms() if a.condition == C)
    s.feed(series({P: 25}, start=10 * MINUTE, end=12 * MINUTE))
    assert s.moves(C)[-1] == ("returned", 10 * MINUTE + 15 * SECOND)


def test_not_watched_without_a_limit_or_a_sensor():
    bare = Riser(id="r1", name="Dock", fed_by="gen1")
    assert story(plant(riser=bare)).reason(C, "r1") == "no low_pressure is set for r1"
    s = story(plant(devices={"io": (5000, ("gen1.mode",))}))
    assert s.reason(C, "r1") == "no supervisory pressure at r1"


def test_switched_off_says_so():
    assert story(pressure_low={"enabled": False}).reason(C, "r1") == "switched off in the site file"
