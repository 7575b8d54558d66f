"""compressor-overduty, and the traps it must not be fooled by."""

from __future__ import annotations

import pytest

from collector.domain.evaluations import ConditionState
from tests.rules.restarts import with_restart
from tests.rules.support import DAY, HOUR, MINUTE, T0, plant, series, stale, story

RUN, TANK = "gen1.compressor_running", "gen1.tank_pressure"
C = "compressor-overduty"


def cycling(on: int, period: int):
    """Return a compressor that runs for ``on`` of every ``period`` ms."""
    return lambda at: float(at % period < on)


def sawtooth(on: int, period: int):
    """Return the tank that goes with it."""
    def psi(at: int) -> float:
        part = at % period
        share = part / on if part < on else 1 - (part - on) / (period - on)
        return round(60 + 20 * share, 1)
    return psi


def standing(s, asset="gen1"):
    return next(v for v in s.monitor.evaluations() if (v.condition, v.asset) == (C, asset))


def day(on: int, period: int = 30 * MINUTE, end: int = 26 * HOUR, **more):
    shapes = {RUN: cycling(on, period), TANK: sawtooth(on, period), **more}
    return series(shapes, end=end, every=MINUTE)


def test_raised_once_enough_of_the_day_was_seen():
    s = story().feed(day(21 * MINUTE))
    # 70 % of what is seen; three quarters of 24 h are seen after 18 h, and the on-delay follows.
    assert [m for m, _ in s.moves(C)] == ["raised"]
    assert 18 * HOUR < s.moves(C)[0][1] <= 18 * HOUR + 21 * MINUTE
    event = s.alarms(C)[0]
    assert event.values["duty_percent"] == pytest.approx(70.0, abs=1.0)
    assert event.values["limit_percent"] == 60.0
    assert "a duty of 70" in event.text
    assert "the limit is 60.0 %" in event.text
    assert "Compressors start by themselves" in event.text


def test_a_duty_within_the_limit_is_silent_and_absent():
    s = story().feed(day(15 * MINUTE))
    assert s.moves(C) == []
    assert standing(s).state is ConditionState.INACTIVE


def test_returns_when_the_day_is_better():
    on = lambda at: cycling(21 * MINUTE if at < 26 * HOUR else 6 * MINUTE, 30 * MINUTE)(at)  # noqa: E731
    s = story().feed(series({RUN: on, TANK: sawtooth(10 * MINUTE, 30 * MINUTE)}, end=50 * HOUR,
                            every=MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]
    # (21 - 6) min of each half hour less: 70 % falls to 57 % after 6.24 h.
    assert s.moves(C)[1][1] / HOUR == pytest.approx(26 + 6.24 + 1 / 6, abs=0.5)


def test_contacts_alone_are_enough():
    s = story(plant(devices={"io": (60_000, (RUN,))}))
    s.feed(series({RUN: cycling(21 * MINUTE, 30 * MINUTE)}, end=22 * HOUR, every=MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised"]


def test_running_on_and_on_is_certain_before_the_coverage_is_reached():
    tank = lambda at: 70 + at // MINUTE % 7 / 10  # noqa: E731
    s = story().feed(series({RUN: 1, TANK: tank}, end=17 * HOUR, every=MINUTE))
    # 60 % of 24 h are 14.4 h, whatever the rest of the day was.
    assert s.moves(C)[0][1] / HOUR == pytest.approx(14.4 + 1 / 6, abs=0.2)


def test_trap_a_frozen_logger_whose_contact_reads_running():
    # A healthy day, then everything the device says stands still, with the contact on.
    frozen = lambda shape: lambda at: shape(min(at, 20 * HOUR + 5 * MINUTE))  # noqa: E731
    s = story().feed(series(
        {RUN: frozen(cycling(9 * MINUTE, 30 * MINUTE)),
         TANK: frozen(sawtooth(9 * MINUTE, 30 * MINUTE))}, end=60 * HOUR, every=MINUTE,
    ))
    assert s.moves(C) == []
    evaluation = standing(s)
    assert evaluation.state is ConditionState.UNKNOWN
    assert "never changes" in evaluation.because


def test_trap_a_logger_frozen_from_the_start():
    s = story().feed(series({RUN: 1, TANK: 71.3}, end=40 * HOUR, every=MINUTE))
    assert s.moves(C) == []
    assert standing(s).state is ConditionState.UNKNOWN


def test_a_tight_plant_with_a_coarse_gauge_is_not_frozen():
    # One run a day of 2 h; the tank then stands still within the gauge's step for 3 h at a time.
    tank = lambda at: 80 - at % DAY // (3 * HOUR)  # noqa: E731
    s = story().feed(series({RUN: cycling(2 * HOUR, DAY), TANK: tank}, end=50 * HOUR,
                            every=MINUTE))
    assert s.moves(C) == []
    assert standing(s).state is ConditionState.INACTIVE


def test_trap_silence_is_not_running():
    rows = day(21 * MINUTE, end=30 * HOUR)
    silent = [r for r in rows if r.time < T0 + 12 * HOUR]
    s = story().feed(silent).feed(stale(r for r in rows if r.time >= T0 + 12 * HOUR))
    assert s.moves(C) == []
    assert standing(s).state is ConditionState.UNKNOWN


def test_a_gap_counts_for_neither():
    rows = [r for r in day(21 * MINUTE, end=30 * HOUR)
            if not 10 * HOUR <= r.time - T0 < 13 * HOUR]
    s = story().feed(rows)
    event = s.alarms(C)[0]
    assert event.values["duty_percent"] == pytest.approx(70.0, abs=1.5)
    assert event.time >= T0 + 21 * HOUR
    assert "do not count" in event.text


def test_the_limit_may_be_set():
    s = story(compressor_overduty={"limit": 80.0}).feed(day(21 * MINUTE))
    assert s.moves(C) == []


def test_a_restart_tells_the_same():
    rows = day(21 * MINUTE, end=20 * HOUR)
    whole = story().feed(rows)
    for at in (101, len(rows) // 2, len(rows) - 250):
        assert with_restart(rows, at).moves(C) == whole.moves(C)


def test_not_watched_without_the_contact():
    s = story(plant(devices={"io": (5000, (TANK,))}))
    assert s.reason(C, "gen1") == "no compressor running at gen1"
