"""compressor-not-starting, and the traps it must not be fooled by."""

from __future__ import annotations

from collector.domain.evaluations import ConditionState
from collector.domain.plant import Generator
from tests.rules.restarts import with_restart
from tests.rules.support import HOUR, MINUTE, SECOND, T0, between, plant, series, stale, story

TANK, RUN, POWER = "gen1.tank_pressure", "gen1.compressor_running", "gen1.power"
MODE, TROUBLE = "gen1.mode", "gen1.trouble"
C = "compressor-not-starting"


def falling(rate: float = 1.0, start: float = 62.0):
    """Return a tank that falls by ``rate`` psi a minute."""
    return lambda at: round(max(0.0, start - rate * at / MINUTE), 2)


def evaluation(s):
    return next(v for v in s.monitor.evaluations() if v.condition == C)


def test_raised_past_the_delay_below_cut_in():
    s = story().feed(series({TANK: falling(), RUN: 0}, end=10 * MINUTE))
    # 60 psi at 2 min, 59.5 half a minute later, 58 at 4 min, and the on-delay.
    assert [m for m, _ in s.moves(C)] == ["raised"]
    assert 5 * MINUTE <= s.moves(C)[0][1] <= 5 * MINUTE + 10 * SECOND
    event = s.alarms(C)[0]
    assert event.since == T0 + 2 * MINUTE + 30 * SECOND
    assert event.values["cut_in_psi"] == 60.0
    assert "at or below the cut-in of 60.0 psi" in event.text
    assert "Whether it has power is not read." in event.text
    assert "the power: switched off at the disconnect" in event.text
    assert "lock out" in event.text


def test_trap_the_poll_that_would_show_the_start_is_lost():
    # Within a minute a draw takes the tank from 60.7 to 57.4 psi; the next poll brings nothing, and
    # the one after it shows a compressor that runs.
    tank = lambda at: 60.7 if at < 10 * MINUTE else 57.4 if at < 11 * MINUTE else 63.3  # noqa: E731
    rows = series({TANK: tank, RUN: between(12 * MINUTE, HOUR)}, every=MINUTE, end=20 * MINUTE)
    lost = [r for r in rows if r.time != T0 + 11 * MINUTE]
    assert len(lost) == len(rows) - 2
    assert story().feed(lost).moves(C) == []
    for at in (19, 21, 23):
        assert with_restart(lost, at).moves(C) == []


def test_two_polls_a_minute_apart_are_enough():
    tank = lambda at: 60.7 if at < 10 * MINUTE else 57.4  # noqa: E731
    rows = series({TANK: tank, RUN: 0}, every=MINUTE, end=20 * MINUTE)
    assert story().feed(rows).moves(C) == [("raised", 11 * MINUTE + SECOND)]
    lost = [r for r in rows if r.time != T0 + 11 * MINUTE]
    assert story().feed(lost).moves(C) == [("raised", 12 * MINUTE + SECOND)]


def test_a_compressor_that_starts_is_silent():
    tank = lambda at: 62 - at / MINUTE if at < 3 * MINUTE else 59 + at / MINUTE - 3  # noqa: E731
    s = story().feed(series({TANK: tank, RUN: between(150 * SECOND, HOUR)}, end=20 * MINUTE))
    assert s.moves(C) == []


def test_gauge_and_switch_may_differ_a_little_but_not_for_long():
    # By how much they differ here is known from past starts, at 60.
    s = story().feed(series(cycling(60.0, 9, last=58.9), every=10 * SECOND, end=10 * HOUR))
    assert s.moves(C) == [("raised", 9 * HOUR + 31 * MINUTE)]


def test_trap_a_first_rest_close_to_cut_in_of_a_switch_nobody_saw_close():
    s = story().feed(series({TANK: 59.0, RUN: 0}, end=12 * HOUR, every=10 * SECOND))
    assert s.moves(C) == []


def test_trap_a_tight_tank_that_rests_where_gauge_and_switch_differ():
    s = story().feed(series({TANK: lambda at: 59.7 + at // MINUTE % 5 / 10, RUN: 0}, end=6 * HOUR))
    assert s.moves(C) == []


def test_trap_one_noisy_reading_of_a_tank_that_rests_just_above_cut_in():
    # 60.2 psi for hours; twice a reading scatters down to 59.3, and the deadband lies above.
    tank = lambda at: 59.3 if at in (HOUR, 3 * HOUR) else 60.2  # noqa: E731
    s = story().feed(series({TANK: tank, RUN: 0}, end=6 * HOUR))
    assert s.moves(C) == []


def cycling(cut_in: float, hours: int, last: float | None = None):
    """Return a tank and a compressor that starts at ``cut_in``; from then on it rests at ``last``.

    It falls by 0.25 psi a minute and is filled by 20 psi in 10 min; at rest it flickers.
    """
    def place(at: int) -> float:
        return at % (90 * MINUTE) / MINUTE

    def tank(at: int) -> float:
        if at >= hours * HOUR and last is not None:
            return last + at // MINUTE % 2 / 10
        t = place(at)
        return round(cut_in + (20 - t / 4 if t < 80 else 2 * (t - 80)), 2)

    def running(at: int) -> float:
        return float(place(at) >= 80 and not (at >= hours * HOUR and last is not None))

    return {TANK: tank, RUN: running}


def test_trap_a_switch_that_always_closed_below_what_the_site_file_says():
    s = story().feed(series(cycling(58.7, 9, last=58.8), every=15 * SECOND, end=20 * HOUR))
    assert s.moves(C) == []


def test_what_past_starts_tell_goes_no_further_than_the_margin():
    s = story().feed(series(cycling(54.0, 9, last=54.0), every=15 * SECOND, end=20 * HOUR))
    assert s.moves(C)[-1][0] == "raised"
    assert "the cut-in of 58.0 psi (the site file says 60.0 psi" in s.alarms(C)[-1].text


def test_without_a_stated_cut_in_past_starts_tell_it():
    unit = Generator(id="gen1", name="Generator 1")
    s = story(plant(generator=unit))
    s.feed(series(cycling(75.0, 9, last=72.0), every=15 * SECOND, end=10 * HOUR))
    assert s.moves(C) == [("raised", 9 * HOUR + MINUTE)]
    assert "the cut-in of 75.1 psi (learned from its last 6 starts)" in s.alarms(C)[0].text


def test_before_any_start_was_seen_common_practice_tells_it():
    unit = Generator(id="gen1", name="Generator 1")
    s = story(plant(generator=unit)).feed(series({TANK: falling(), RUN: 0}, end=10 * MINUTE))
    assert "the cut-in of 60.0 psi (common practice)" in s.alarms(C)[0].text


def test_exactly_at_cut_in_counts_with_a_gauge_that_does_not_err():
    s = story(compressor_not_starting={"near_limit": 5 * MINUTE, "gauge": 0.0})
    s.feed(series(cycling(60.0, 3, last=59.9), every=10 * SECOND, end=4 * HOUR))
    assert s.moves(C) == [("raised", 3 * HOUR + 6 * MINUTE)]


def test_returns_when_it_starts():
    s = story().feed(series({TANK: falling(), RUN: between(12 * MINUTE, HOUR)}, end=20 * MINUTE))
    assert s.moves(C)[1] == ("returned", 12 * MINUTE + 5 * SECOND)


def test_trap_power_off_at_the_disconnect_is_not_reported_again():
    s = story().feed(series({TANK: falling(), RUN: 0, POWER: between(0, MINUTE)},
                            end=20 * MINUTE))
    assert s.moves(C) == []
    assert [m for m, _ in s.moves("power-lost")] == ["raised"]
    assert "explained by" in evaluation(s).because
    assert "ower lost" in evaluation(s).because


def test_after_the_power_is_back_it_has_its_delay_again():
    power = lambda at: float(not MINUTE <= at < 20 * MINUTE)  # noqa: E731
    s = story().feed(series({TANK: falling(), RUN: 0, POWER: power}, end=30 * MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised"]
    # The delay, and a little grace for the controller to start up.
    assert 21 * MINUTE <= s.moves(C)[0][1] <= 22 * MINUTE
    assert "Its power contact says the power is on." in s.alarms(C)[0].text


def test_trap_where_nothing_else_reports_the_power_this_says_which():
    s = story(power_lost={"enabled": False})
    s.feed(series({TANK: falling(), RUN: 0, POWER: 0}, end=20 * MINUTE))
    event = s.alarms(C)[0]
    assert "Its power contact says the power is off." in event.text
    assert "1) the power: switched off at the disconnect" in event.text
    assert event.values["power"] == "off"


def test_trap_a_unit_whose_mode_reads_off_says_so():
    s = story().feed(series({TANK: falling(), RUN: 0, MODE: 0, TROUBLE: 1}, end=20 * MINUTE))
    text = s.alarms(C)[0].text
    assert "Its mode reads off: the unit is switched off or has no power." in text
    assert "trouble contact is on" in text


def test_trap_a_silent_device():
    rows = series({TANK: falling(), RUN: 0}, end=3 * MINUTE)
    s = story().feed(rows).feed(stale(series({TANK: 50, RUN: 0}, start=3 * MINUTE,
                                             end=20 * MINUTE)))
    assert s.moves(C) == []
    assert evaluation(s).state is ConditionState.UNKNOWN


def test_a_restart_tells_the_same():
    rows = series({TANK: falling(), RUN: between(12 * MINUTE, HOUR)}, end=20 * MINUTE)
    whole = story().feed(rows)
    for at in (3, 80, 110, 121, 290):
        assert with_restart(rows, at).moves(C) == whole.moves(C)


def test_not_watched_says_what_is_missing():
    s = story(plant(devices={"io": (5000, (RUN,))}))
    assert s.reason(C, "gen1") == "no tank pressure at gen1"
