"""room-oxygen-low: the caution leads, and a failed cell is raised like any other low reading."""

from __future__ import annotations

import pytest

from collector.domain.conditions import CAUTIONS
from tests.rules.support import MINUTE, SECOND, between, plant, series, stale, story

O2, C = "plant-room.oxygen", "room-oxygen-low"


def test_raised_within_its_delay_below_the_limit_of_the_regulation():
    # 29 CFR 1910.134 (b): oxygen-deficient is less than 19.5 %.
    s = story().feed(series({O2: between(MINUTE, 9 * MINUTE, 19.4, 20.9)}, end=12 * MINUTE))
    assert s.moves(C) == [("raised", MINUTE + 10 * SECOND), ("returned", 10 * MINUTE)]
    event = s.alarms(C)[0]
    assert event.values == {"oxygen_percent": 19.4, "limit_percent": 19.5}
    assert (event.signal, event.priority) == ("supervisory", "high")


def test_the_message_leads_with_the_caution():
    s = story().feed(series({O2: 18.0}, end=MINUTE))
    text = s.alarms(C)[0].text
    assert text.startswith(f"Caution: {CAUTIONS['oxygen']}")
    assert text.count(CAUTIONS["oxygen"]) == 1
    assert text.index("Plant room") < text.index("18.0 %") < text.index("1) stay out")


def test_just_at_the_limit_is_not_below_it():
    s = story().feed(series({O2: 19.5}, end=5 * MINUTE))
    assert s.moves(C) == []


def test_within_the_deadband_it_has_not_returned():
    shape = lambda at: 19.0 if at < 2 * MINUTE else 19.7  # noqa: E731
    s = story().feed(series({O2: shape}, end=10 * MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised"]


@pytest.mark.parametrize("reads", [0.0, 4.0])
def test_trap_a_failed_cell_reads_low_too_still_raised_and_both_said(reads):
    s = story().feed(series({O2: between(MINUTE, 99 * MINUTE, reads, 20.9)}, end=3 * MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised"]
    text = s.alarms(C)[0].text
    assert "A failed cell reads low too" in text
    assert "either deadly or a dead cell" in text


def test_one_low_sample_is_not_enough():
    s = story().feed(series({O2: between(MINUTE, MINUTE + 5 * SECOND, 3, 20.9)}, end=5 * MINUTE))
    assert s.moves(C) == []


def test_it_stands_still_while_the_monitor_is_silent():
    s = story(plant(devices={"monitor": (5000, (O2,))}))
    s.feed(series({O2: 18.0}, end=MINUTE)).feed(stale(series({O2: 0}, start=MINUTE,
                                                            end=10 * MINUTE)))
    assert [m for m, _ in s.moves(C)] == ["raised"]


def test_not_watched_without_a_sensor():
    s = story(plant(devices={"io": (5000, ("gen1.mode",))}))
    assert s.reason(C, "plant-room") == "no room oxygen at plant-room"
