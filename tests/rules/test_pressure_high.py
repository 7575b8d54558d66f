"""pressure-high and its trap."""

from __future__ import annotations

import math
import random

from collector.domain.plant import Riser
from tests.rules.support import DAY, HOUR, MINUTE, SECOND, between, plant, series, stale, story

P = "r1.pressure"
C = "pressure-high"
RISER = Riser(id="r1", name="Dock riser", fed_by="gen1", low_pressure=18.0, high_pressure=40.0)


def told(**given):
    return story(plant(riser=RISER, **given))


def test_raised_past_its_delay_and_returned_past_its_deadband():
    shape = lambda at: 25 if at < MINUTE else 42 if at < 5 * MINUTE else 39.8 if at < 6 * MINUTE \
        else 30  # noqa: E731
    s = told().feed(series({P: shape}, end=10 * MINUTE))
    # 39.8 psi is below the limit, but within the deadband: not back to normal.
    assert s.moves(C) == [("raised", MINUTE + 15 * SECOND), ("returned", 6 * MINUTE + 15 * SECOND)]
    event = s.alarms(C)[0]
    assert event.values == {"pressure_psi": 42.0, "limit_psi": 40.0}
    assert "Supervisory pressure is 42.0 psi; the limit is 40.0 psi." in event.text
    assert "1) the bypass of the air maintenance device left open" in event.text
    assert (event.signal, event.priority) == ("supervisory", "high")


def test_trap_a_temperature_swing_inside_the_limits():
    swing = lambda at: 36 + 3 * math.sin(2 * math.pi * at / DAY)  # noqa: E731
    s = told().feed(series({P: swing}, end=2 * DAY, every=60 * SECOND))
    assert s.moves(C) == []


def test_one_high_sample_is_not_enough():
    s = told().feed(series({P: between(60 * SECOND, 65 * SECOND, 250, 25)}, end=5 * MINUTE))
    assert s.moves(C) == []


def test_stands_still_while_silent():
    s = told(devices={"io": (5000, (P,))})
    s.feed(series({P: 45}, end=MINUTE)).feed(stale(series({P: 0}, start=MINUTE, end=10 * MINUTE)))
    assert [m for m, _ in s.moves(C)] == ["raised"]
    assert next(v for v in s.monitor.evaluations() if v.condition == C).state == "unknown"


def test_not_watched_without_a_limit_or_a_sensor():
    assert story().reason(C, "r1") == "no high_pressure is set for r1"
    s = told(devices={"io": (5000, ("gen1.mode",))})
    assert s.reason(C, "r1") == "no supervisory pressure at r1"


def test_trap_a_coarse_gauge_while_the_pressure_passes_the_limit_slowly():
    # 42.5 down to 39.5 psi in 6 h, told in whole psi with 0.25 psi of scatter; the limit is 41.5.
    def shown(at: int) -> float:
        true = 39.5 + 3.0 * abs(1 - at / (6 * HOUR))
        return round(random.Random(at).gauss(true, 0.25))

    dock = Riser(id="r1", name="Dock riser", fed_by="gen1", high_pressure=41.5,
                 supervisory_pressure=35.0)
    s = story(plant(riser=dock)).feed(series({P: shown}, end=12 * HOUR, every=15 * SECOND))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned", "raised"]
