"""air-fill-stuck and every trap it must not be fooled by."""

from __future__ import annotations

from tests.rules.support import DAY, HOUR, MINUTE, SECOND, T0, between, plant, series, story

MODE, TANK = "gen1.mode", "gen1.tank_pressure"
C = "air-fill-stuck"


def test_raised_when_the_stay_is_too_long_and_returned_when_it_ends():
    s = story().feed(series({MODE: between(MINUTE, 50 * MINUTE, 2, 1), TANK: 50}, end=HOUR))
    assert s.moves(C) == [("raised", 31 * MINUTE + 5 * SECOND),
                          ("returned", 50 * MINUTE + 5 * SECOND)]
    event = s.alarms(C)[0]
    assert event.values["air_fill_minutes"] == 30.1
    assert "Tank pressure is 50.0 psi" in event.text
    assert "impairment" in event.text


def test_the_mode_alone_is_enough():
    s = story(plant(devices={"io": (5000, (MODE,))}))
    s.feed(series({MODE: between(MINUTE, HOUR, 2, 1)}, end=40 * MINUTE))
    assert s.moves(C) == [("raised", 31 * MINUTE + 5 * SECOND)]


def test_a_short_fallback_is_silent():
    s = story().feed(series({MODE: between(MINUTE, 20 * MINUTE, 2, 1), TANK: 50}, end=HOUR))
    assert s.moves(C) == []


def test_raised_when_the_tank_is_full_and_it_does_not_go_back():
    s = story().feed(series({MODE: between(MINUTE, HOUR, 2, 1),
                             TANK: between(5 * MINUTE, HOUR, 82, 55)}, end=20 * MINUTE))
    assert s.moves(C) == [("raised", 7 * MINUTE + 5 * SECOND)]
    assert "should have gone back to nitrogen at 80.0 psi" in s.alarms(C)[0].text


def test_trap_a_tank_drawn_down_again_is_the_same_stay():
    tank = lambda at: 82 if 5 * MINUTE < at < 9 * MINUTE else 60  # noqa: E731
    s = story().feed(series({MODE: between(MINUTE, 50 * MINUTE, 2, 1), TANK: tank}, end=HOUR))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]
    assert s.moves(C)[1][1] == 50 * MINUTE + 5 * SECOND


def test_a_tank_that_hovers_at_the_return_pressure_counts_as_full():
    tank = lambda at: 80.3 if at % 10_000 else 79.6  # noqa: E731
    s = story().feed(series({MODE: 2, TANK: tank}, end=10 * MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised"]


def test_trap_a_declared_system_fill():
    rows = series({MODE: 2, TANK: 82}, end=70 * MINUTE)
    s = story()
    s.feed(rows[:2])
    s.monitor.declare_fill("r1", T0 + 2 * HOUR)
    s.feed(rows[2:])
    assert s.moves(C) == [("raised", 60 * MINUTE + 5 * SECOND)]


def test_when_the_declared_fill_ends_the_usual_limit_is_back():
    rows = series({MODE: between(MINUTE, 3 * HOUR, 2, 1), TANK: 50}, end=50 * MINUTE)
    s = story()
    s.feed(rows[:2])
    s.monitor.declare_fill("gen1", T0 + 40 * MINUTE)
    s.feed(rows[2:])
    # Over the limit for long, it is raised as soon as the fill no longer explains it.
    assert s.moves(C) == [("raised", 40 * MINUTE)]


def test_a_stay_that_began_before_start_up_is_at_least():
    s = story().feed(series({MODE: 2, TANK: 50}, end=40 * MINUTE))
    assert "at least 30 min 5 s" in s.alarms(C)[0].text


def test_not_watched_without_a_mode():
    s = story(plant(devices={"io": (5000, ("gen1.compressor_running",))}))
    assert s.reason(C, "gen1") == "no mode at gen1"


def resting(air_from: int, air_until: int = 10**12):
    """Return a mode that says off at rest: 4 min of each half hour it runs."""
    def mode(at: int) -> int:
        if at % (30 * MINUTE) >= 4 * MINUTE:
            return 0
        return 2 if air_from <= at < air_until else 1
    return mode


def test_run_after_run_in_air_fill_where_the_mode_says_off_at_rest():
    rows = series({MODE: resting(2 * HOUR, 8 * HOUR)}, end=12 * HOUR, every=15 * SECOND)
    s = story().feed(rows)
    assert s.moves(C) == [("raised", 3 * HOUR + 4 * MINUTE + SECOND),
                          ("returned", 8 * HOUR + SECOND)]
    assert "Its last 3 runs were in air-fill, and no nitrogen was seen" in s.alarms(C)[0].text
    assert s.alarms(C)[0].since == T0 + 2 * HOUR
    # The same fact, and no second alarm for it.
    assert s.moves("air-fill-frequent") == []


def test_trap_runs_that_begin_in_air_fill_and_go_on_in_nitrogen():
    def mode(at: int) -> int:
        t = at % (3 * HOUR)
        return 2 if t < 2 * MINUTE else 1 if t < 4 * MINUTE else 0

    s = story().feed(series({MODE: mode}, end=2 * DAY, every=15 * SECOND))
    assert s.moves(C) == []


def test_trap_a_silence_in_which_it_may_have_made_nitrogen():
    rows = series({MODE: resting(0)}, end=6 * HOUR, every=15 * SECOND)
    s = story().feed([r for r in rows if not HOUR <= (r.time - T0) % (90 * MINUTE) < 70 * MINUTE])
    assert s.moves(C) == []


def test_trap_a_stay_that_was_too_long_is_one_alarm_through_its_rests():
    mode = lambda at: 0 if at % HOUR >= 40 * MINUTE else 2  # noqa: E731
    s = story().feed(series({MODE: mode}, end=6 * HOUR, every=15 * SECOND))
    assert [m for m, _ in s.moves(C)] == ["raised"]
