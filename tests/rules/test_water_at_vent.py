"""water-at-vent and its trap."""

from __future__ import annotations

from tests.rules.support import MINUTE, SECOND, between, plant, series, story

WATER, C = "r1-vent.water", "water-at-vent"


def test_raised_and_returned_past_its_delays():
    s = story().feed(series({WATER: between(MINUTE, 5 * MINUTE)}, end=8 * MINUTE))
    assert s.moves(C) == [("raised", MINUTE + 30 * SECOND), ("returned", 6 * MINUTE)]
    text = s.alarms(C)[0].text
    assert text.startswith("Water at vent: Dock vent. Since 00:01:00")
    assert "1) drain the vent's trap" in text
    assert "impairment procedure" in text


def test_trap_bounce_on_the_contact():
    bounce = lambda at: float(at // (5 * SECOND) % 3 == 0)  # noqa: E731
    s = story().feed(series({WATER: bounce}, end=30 * MINUTE))
    assert s.moves(C) == []


def test_bounce_while_it_is_wet_does_not_return_it():
    dips = lambda at: 0.0 if at > 2 * MINUTE and at // (5 * SECOND) % 5 == 0 else 1.0  # noqa: E731
    s = story().feed(series({WATER: dips}, end=30 * MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised"]


def test_not_watched_without_a_contact():
    s = story(plant(devices={"io": (5000, ("gen1.mode",))}))
    assert s.reason(C, "r1-vent") == "no water contact at r1-vent"
