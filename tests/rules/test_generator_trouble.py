"""generator-trouble: the generator's own contact, and what its wiring says of it."""

from __future__ import annotations

from dataclasses import replace

from collector.domain.readings import Quality
from tests.rules.support import HOUR, MINUTE, SECOND, T0, between, plant, series, story

C, TROUBLE = "generator-trouble", "gen1.trouble"
LEGS = ("gen1.trouble_no", "gen1.trouble_nc")


def test_the_contact_alone():
    s = story(plant(devices={"io": (5 * SECOND, (TROUBLE,))}))
    s.feed(series({TROUBLE: between(MINUTE, HOUR)}, end=2 * HOUR))
    assert s.moves(C) == [("raised", MINUTE + 10 * SECOND), ("returned", HOUR + 30 * SECOND)]
    event = s.alarms(C)[0]
    assert event.since == T0 + MINUTE
    assert "display" in event.text
    assert "never writes a register" in event.text


def test_bounce():
    s = story(plant(devices={"io": (SECOND, (TROUBLE,))}))
    s.feed(series({TROUBLE: lambda at: at // SECOND % 7 in (0, 1, 3)}, end=HOUR, every=SECOND))
    assert s.moves(C) == []


def test_a_broken_wire_is_its_own_condition_and_not_trouble():
    rows = series({TROUBLE: 0, LEGS[0]: 0, LEGS[1]: between(0, 10 * MINUTE)}, end=30 * MINUTE)
    broken = T0 + 10 * MINUTE
    s = story(plant(devices={"io": (5 * SECOND, (TROUBLE, *LEGS))}))
    s.feed(replace(r, value=None, quality=Quality.BAD, why="both legs open")
           if r.point == TROUBLE and r.time >= broken else r for r in rows)
    assert {e.condition for e in s.events if hasattr(e, "condition")} == {"contact-disagreement"}
    evaluation = next(v for v in s.monitor.evaluations() if v.condition == C)
    assert evaluation.state == "unknown"
    assert "no usable trouble contact" in evaluation.because
    assert "Form C contact mismatch (Generator 1) since 00:10:00" in evaluation.because


def test_without_the_contact_it_says_so():
    assert story(plant(devices={"io": (5 * SECOND, ("gen1.power",))})).reason(C, "gen1") == (
        "no trouble contact at gen1")
