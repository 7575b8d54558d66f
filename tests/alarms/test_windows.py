"""Impairments and visits: what they keep quiet and what never, their end, reminders, restarts."""

from __future__ import annotations

import json

import pytest

from collector.alarms.windows import MANY_HOURS, OF_GENERATOR, OF_RISER, most_in_a_day
from collector.app.monitor import SiteMonitor
from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.conditions import CATALOGUE
from collector.domain.errors import ActionRefused
from collector.domain.events import AlarmTransition, SystemEvent, event_from_json, event_to_json
from collector.domain.units import DAY
from tests.rules.support import HOUR, MINUTE, T0, Story, between, plant, series, settings, story

EVERYTHING_WRONG = {
    "r1.pressure": 10.0, "r1.low_air": 1.0, "r1.valve_room_temperature": 1.0,
    "gen1.compressor_running": 1.0, "gen1.mode": 2.0, "gen1.tank_pressure": 40.0,
    "gen1.trouble": 1.0, "plant-room.oxygen": 18.0, "r1-vent.water": 1.0, "gen1.power": 1.0,
}
FINE = {**EVERYTHING_WRONG, "r1.pressure": 25.0, "r1.low_air": 0.0, "gen1.compressor_running": 0.0,
        "gen1.mode": 1.0, "gen1.tank_pressure": 70.0, "gen1.trouble": 0.0,
        "r1.valve_room_temperature": 8.0, "plant-room.oxygen": 20.9, "r1-vent.water": 0.0}


def act(s: Story, deed: ActionKind, asset: str, at: int, until: int | None = None, *,
        why: str = "branch line renewed", by: str = "R. Okafor") -> Story:
    s.events += s.monitor.act(OperatorAction(
        kind=deed, alarm=asset, time=T0 + at, by=by, why=why,
        until=None if until is None else T0 + until))
    return s


def impair(s: Story, at: int, until: int, asset: str = "r1") -> Story:
    return act(s, ActionKind.DECLARE_IMPAIRMENT, asset, at, until)


def wrong(start: int, end: int) -> Story:
    """A series that is fine but for a stretch."""
    return series({p: between(start, end, v, FINE[p]) for p, v in EVERYTHING_WRONG.items()},
                  end=5 * HOUR, every=30_000)


def raised(s: Story) -> set[tuple[str, str]]:
    return {(e.condition, e.asset) for e in s.events
            if isinstance(e, AlarmTransition) and e.transition == "raised"}


def facts(s: Story) -> list[tuple[str, int]]:
    return [(e.fact, e.time - T0) for e in s.events
            if isinstance(e, SystemEvent) and e.fact.startswith(("impairment-", "visit-"))]


def test_it_suppresses_exactly_what_a_closed_system_explains() -> None:
    rows = wrong(HOUR, 3 * HOUR)
    plain = raised(story().feed(rows))
    s = story().feed(rows[:50])
    impair(s, 20 * MINUTE, 5 * HOUR).feed(rows[50:])
    explained = {(c, a) for c, a in plain
                 if c in (OF_RISER if a.startswith("r1") else OF_GENERATOR)}
    assert {("pressure-low", "r1"), ("low-air-contact", "r1"), ("compressor-long-run", "gen1"),
            ("air-fill-stuck", "gen1")} <= explained
    assert raised(s) == plain - explained
    # Cold, the room's oxygen, the generator's own trouble and water at the vent are told as ever.
    assert {("low-temperature", "r1"), ("room-oxygen-low", "plant-room"),
            ("water-at-vent", "r1-vent")} <= raised(s)
    assert "generator-trouble" in {c for c, _ in raised(s)}


def test_each_is_journalled_as_suppressed_by_design_with_who_why_and_until() -> None:
    s = impair(story().advance(MINUTE), MINUTE, 2 * HOUR)
    (window,) = s.monitor.windows()
    moved = [e for e in s.events if isinstance(e, AlarmTransition)]
    assert {f"{e.condition}.{e.asset}" for e in moved} == set(window.inhibits)
    assert {(e.transition, e.by, e.why, e.until) for e in moved} == {
        ("suppressed", "R. Okafor", "impairment: branch line renewed", T0 + 2 * HOUR)}
    said = next(e for e in s.events if isinstance(e, SystemEvent))
    assert event_from_json(event_to_json(said)) == said
    assert said.text.startswith("An impairment of Dock riser was declared by R. Okafor until 02:00 "
                                "on Sunday 1 March 2026 (GMT): branch line renewed. Follow the "
                                "impairment procedure: ")
    assert "Suppressed by design meanwhile, and nothing else: Dock riser: " in said.text
    assert "pressure low" in said.text
    assert "10 h" not in said.text


def test_it_is_reminded_of_and_ends_by_itself_and_what_still_holds_is_raised() -> None:
    rows = series({"r1.pressure": between(HOUR, 9 * HOUR, 10, 25)}, end=5 * HOUR, every=30_000)
    s = story().feed(rows[:20])
    impair(s, 10 * MINUTE, 3 * HOUR).feed(rows[20:])
    assert facts(s) == [("impairment-declared", 10 * MINUTE),
                        ("impairment-ending", 150 * MINUTE), ("impairment-ended", 3 * HOUR)]
    assert s.moves("pressure-low") == [("suppressed", 10 * MINUTE), ("unsuppressed", 3 * HOUR),
                                       ("raised", 3 * HOUR)]
    assert s.moves("leak-high") in ([], [("suppressed", 10 * MINUTE), ("unsuppressed", 3 * HOUR)])
    assert s.monitor.windows() == []
    ending, ended = [e.text for e in s.events if isinstance(e, SystemEvent)][1:3]
    assert "ends at 03:00 on Sunday 1 March 2026 (GMT), in 30 min" in ending
    assert "ended: its time is up" in ended


def test_what_stood_before_is_quiet_and_comes_back_unacknowledged() -> None:
    rows = series({"r1.pressure": 10.0}, end=5 * HOUR, every=30_000)
    s = impair(story().feed(rows[:100]), 55 * MINUTE, 3 * HOUR).feed(rows[100:])
    moves = [what for what, _ in s.moves("pressure-low")]
    assert moves == ["raised", "suppressed", "unsuppressed", "raised"]


def test_a_person_ends_it_early() -> None:
    s = impair(story().advance(MINUTE), MINUTE, 5 * HOUR)
    act(s, ActionKind.END_IMPAIRMENT, "r1", HOUR, by="J. Whitlock", why="done").advance(6 * HOUR)
    assert facts(s) == [("impairment-declared", MINUTE), ("impairment-ended", HOUR)]
    said = [e.text for e in s.events if isinstance(e, SystemEvent)]
    assert "ended by J. Whitlock: done." in said[1]
    with pytest.raises(ActionRefused, match="no impairment of r1 is declared"):
        act(s, ActionKind.END_IMPAIRMENT, "r1", 7 * HOUR)


@pytest.mark.parametrize(("asset", "until", "why", "says"), [
    ("plant-room", HOUR, "x", "nothing is watched there"), ("r9", HOUR, "x", "nothing is watched"),
    ("r1-vent", HOUR, "x", "nothing is watched there"),
    ("r1", None, "x", "time when it ends"), ("r1", 0, "x", "already past"),
    ("r1", HOUR, " ", "reason"), ("r1", 8 * 24 * HOUR, "x", "7 days at most"),
])
def test_what_is_refused_changes_nothing(asset, until, why, says) -> None:
    s = story().advance(MINUTE)
    before = s.monitor.dump()
    with pytest.raises(ActionRefused, match=says):
        act(s, ActionKind.DECLARE_IMPAIRMENT, asset, MINUTE, until, why=why)
    assert s.monitor.dump() == before
    assert s.monitor.alarms() == []


@pytest.mark.parametrize("asset", ["r1", "gen1", "fenmoor"])
def test_a_riser_its_generator_and_the_site_take_down_the_same_one_system(asset: str) -> None:
    s = impair(story().advance(MINUTE), MINUTE, HOUR, asset)
    assert {"pressure-low.r1", "air-fill-stuck.gen1"} <= set(s.monitor.windows()[0].inhibits)
    assert not [q for q in s.monitor.windows()[0].inhibits
                if q.startswith(("low-temp", "room-oxygen"))]


def test_more_than_ten_hours_in_a_day_is_said_with_its_source() -> None:
    s = impair(story().advance(MINUTE), MINUTE, MINUTE + 6 * HOUR)
    s.advance(8 * HOUR)
    impair(s, 8 * HOUR, 11 * HOUR)
    assert "NFPA 1 13.1.9" not in s.events[-1].text
    assert not [e for e in s.events if isinstance(e, SystemEvent) and "NFPA 1 13.1.9" in e.text]
    s.advance(12 * HOUR)
    impair(s, 12 * HOUR, 13 * HOUR + 2 * MINUTE)
    last = [e for e in s.events if isinstance(e, SystemEvent)
            and e.fact == "impairment-declared"][-1]
    assert "Dock riser: more than 10 h out of service within 24 h" in last.text


def test_the_fullest_day_among_spans() -> None:
    h = HOUR
    assert most_in_a_day([]) == 0
    assert most_in_a_day([(0, 10 * h)]) == MANY_HOURS
    assert most_in_a_day([(0, 40 * h)]) == DAY
    assert most_in_a_day([(0, 5 * h), (4 * h, 6 * h)]) == 6 * h
    # 5 h, then 6 h that begin 20 h later: 24 h from 2 h on hold 3 + 6.
    assert most_in_a_day([(0, 5 * h), (20 * h, 26 * h)]) == 9 * h


def test_two_that_overlap_are_quiet_until_the_last_ends() -> None:
    rows = series({"r1.pressure": 10.0}, end=5 * HOUR, every=30_000)
    s = impair(story().advance(MINUTE), MINUTE, 2 * HOUR, "r1")
    impair(s, 2 * MINUTE, 4 * HOUR, "fenmoor").feed(rows[5:])
    assert [m for m in s.moves("pressure-low") if m[0] in ("raised", "unsuppressed")] == [
        ("unsuppressed", 4 * HOUR), ("raised", 4 * HOUR)]


def test_declared_again_it_has_another_end() -> None:
    s = impair(impair(story().advance(MINUTE), MINUTE, HOUR), 30 * MINUTE, 3 * HOUR)
    s.advance(4 * HOUR)
    assert facts(s)[-1] == ("impairment-ended", 3 * HOUR)
    assert [f for f, _ in facts(s)].count("impairment-ended") == 1


def test_a_shelf_that_ends_within_one_stays_quiet() -> None:
    rows = series({"r1.pressure": 10.0}, end=3 * HOUR, every=30_000)
    s = story().feed(rows[:20])
    act(s, ActionKind.SHELVE, "pressure-low.r1", 10 * MINUTE, HOUR)
    impair(s, 11 * MINUTE, 2 * HOUR).feed(rows[20:])
    assert s.moves("pressure-low", "r1")[1:] == [
        ("shelved", 10 * MINUTE), ("unshelved", HOUR), ("raised", HOUR), ("suppressed", HOUR),
        ("unsuppressed", 2 * HOUR), ("raised", 2 * HOUR)]


def test_a_shelf_ends_by_itself() -> None:
    rows = series({"r1.pressure": 10.0}, end=3 * HOUR, every=30_000)
    s = act(story().feed(rows[:20]), ActionKind.SHELVE, "pressure-low.r1", 10 * MINUTE, HOUR)
    s.feed(rows[20:])
    assert s.moves("pressure-low", "r1")[1:] == [
        ("shelved", 10 * MINUTE), ("unshelved", HOUR), ("raised", HOUR)]


def test_a_visit_takes_a_thing_out_of_service_and_never_the_air_people_breathe() -> None:
    rows = wrong(HOUR, 4 * HOUR)
    s = act(story().feed(rows[:100]), ActionKind.BEGIN_VISIT, "gen1", 5 * MINUTE, 5 * HOUR)
    s.feed(rows[100:])
    assert not {(c, a) for c, a in raised(s) if a.startswith("gen1")}
    assert ("room-oxygen-low", "plant-room") in raised(s)
    assert ("pressure-low", "r1") in raised(s)
    assert facts(s)[0] == ("visit-begun", 5 * MINUTE)
    with_room = act(story().advance(MINUTE), ActionKind.BEGIN_VISIT, "plant-room", MINUTE, HOUR)
    assert "room-oxygen-low.plant-room" not in with_room.monitor.windows()[0].inhibits


def test_a_visit_is_reminded_of_and_what_holds_at_its_end_is_raised() -> None:
    rows = wrong(HOUR, 5 * HOUR)
    s = act(story().feed(rows[:100]), ActionKind.BEGIN_VISIT, "gen1", 5 * MINUTE, 3 * HOUR)
    s.feed(rows[100:])
    assert facts(s) == [("visit-begun", 5 * MINUTE), ("visit-ending", 150 * MINUTE),
                        ("visit-ended", 3 * HOUR)]
    assert ("raised", 3 * HOUR) in s.moves("air-fill-stuck", "gen1")


@pytest.mark.parametrize("at", [15 * MINUTE, 2 * HOUR, 155 * MINUTE, 4 * HOUR])
def test_a_restart_in_it_changes_nothing(at: int) -> None:
    rows = series({"r1.pressure": between(HOUR, 9 * HOUR, 10, 25)}, end=5 * HOUR, every=30_000)
    cut = at // 30_000
    def begun() -> Story:
        return impair(story().feed(rows[:20]), 10 * MINUTE, 3 * HOUR)
    whole = begun().feed(rows[20:])
    half = begun().feed(rows[20:cut])
    again = Story(SiteMonitor(plant=plant(), settings=settings()), list(half.events))
    told = [e for e in half.events if isinstance(e, AlarmTransition)]
    again.monitor.load(json.loads(json.dumps(half.monitor.dump())), told)
    again.monitor._engine._resumed = False
    again.feed(rows[cut:])
    assert [event_to_json(e) for e in again.events] == [event_to_json(e) for e in whole.events]


def test_a_crash_before_the_snapshot_reads_it_from_the_journal() -> None:
    s = story().advance(MINUTE)
    state, told = s.monitor.dump(), list(s.events)
    impair(s, MINUTE, HOUR)
    again = Story(SiteMonitor(plant=plant(), settings=settings()), [])
    again.monitor.load(state, [e for e in (*told, *s.events) if isinstance(e, AlarmTransition)])
    again.monitor.catch_up((), T0 + 2 * MINUTE,
                         facts=[e for e in s.events if isinstance(e, SystemEvent)])
    assert again.monitor.windows() == s.monitor.windows()
    again.advance(2 * HOUR)
    assert facts(again) == [("impairment-ending", HOUR - 59 * MINUTE // 2),
                            ("impairment-ended", HOUR)]


def test_every_condition_it_quiets_is_one() -> None:
    assert set(CATALOGUE) >= OF_RISER | OF_GENERATOR
    never = {"low-temperature", "room-oxygen-low", "water-at-vent", "power-lost", "device-silent",
             "contact-disagreement", "generator-trouble", "compressor-not-starting"}
    assert not never & (OF_RISER | OF_GENERATOR)


def test_one_that_begins_later_suppresses_nothing_before_and_begins_by_itself() -> None:
    s = story().advance(MINUTE)
    s.events += s.monitor.act(OperatorAction(
        kind=ActionKind.DECLARE_IMPAIRMENT, alarm="r1", time=T0 + MINUTE, by="R. Okafor",
        why="branch line renewed", since=T0 + HOUR, until=T0 + 3 * HOUR,
        details={"tag": "17", "fire_watch": "A. Moss", "unknown": "x", "coordinator": " "}))
    assert facts(s) == [("impairment-planned", MINUTE)]
    assert (s.monitor.windows(), len(s.monitor.planned_windows())) == ([], 1)
    planned = next(e for e in s.events if isinstance(e, SystemEvent))
    assert "Tag number: 17. Fire watch: A. Moss." in planned.text
    kept = json.loads(json.dumps(s.monitor.dump()))
    fresh = story()
    fresh.monitor.load(kept, [])
    assert fresh.monitor.planned_windows() == s.monitor.planned_windows()  # a restart keeps it
    s.advance(2 * HOUR)
    (window,) = s.monitor.windows()
    assert (window.since, window.details) == (T0 + HOUR, {"tag": "17", "fire_watch": "A. Moss"})
    assert facts(s)[1] == ("impairment-declared", HOUR)
    assert "pressure-low.r1" in window.inhibits
    assert s.monitor.planned_windows() == []
    s.advance(4 * HOUR)
    assert [f for f, _ in facts(s)] == ["impairment-planned", "impairment-declared",
                                        "impairment-ending", "impairment-ended"]


def test_a_planned_one_is_cancelled_and_never_begins() -> None:
    s = story().advance(MINUTE)
    s.events += s.monitor.act(OperatorAction(
        kind=ActionKind.BEGIN_VISIT, alarm="gen1", time=T0 + MINUTE, by="R. Okafor",
        why="yearly service", since=T0 + HOUR, until=T0 + 3 * HOUR))
    act(s, ActionKind.END_VISIT, "gen1", 2 * MINUTE)
    s.advance(2 * HOUR)
    assert facts(s) == [("visit-planned", MINUTE), ("visit-ended", 2 * MINUTE)]


@pytest.mark.parametrize(("since", "until", "says"), [
    (2 * HOUR, HOUR, "before the start"), (91 * DAY, 92 * DAY, "90 days ahead"),
    (HOUR, 9 * DAY, "7 days at most"),
])
def test_a_start_that_does_not_fit_is_refused(since: int, until: int, says: str) -> None:
    s = story().advance(MINUTE)
    with pytest.raises(ActionRefused, match=says):
        s.monitor.act(OperatorAction(
            kind=ActionKind.DECLARE_IMPAIRMENT, alarm="r1", time=T0 + MINUTE, by="x", why="y",
            since=T0 + since, until=T0 + until))
    assert s.monitor.planned_windows() == []
