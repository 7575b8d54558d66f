"""compressor-short-cycling, and the traps it must not be fooled by."""

from __future__ import annotations

import pytest

from collector.domain.evaluations import ConditionState
from collector.domain.events import SystemEvent
from collector.domain.plant import Generator
from collector.rules.cycling import most_starts
from tests.rules.restarts import with_restart
from tests.rules.support import HOUR, MINUTE, SECOND, T0, Story, plant, series, story

RUN, STARTS = "gen1.compressor_running", "gen1.start_count"
C = "compressor-short-cycling"
SIX = {"compressor_short_cycling": {"limit": 6.0}}


def every(period: int, on: int = MINUTE):
    return lambda at: float(at % period < on)


def count(period: int, start: float = 100.0):
    return lambda at: start + at // period


def test_raised_with_the_seventh_start_of_an_hour():
    shape = lambda at: float((at - MINUTE) % (5 * MINUTE) < MINUTE and at >= MINUTE)  # noqa: E731
    s = story(**SIX).feed(series({RUN: shape}, end=HOUR))
    # Starts at 1, 6, … 31 min; the seventh counts once it has outlasted bounce.
    assert s.moves(C) == [("raised", 31 * MINUTE + 10 * SECOND)]
    event = s.alarms(C)[0]
    assert event.values["starts_per_hour"] == 7
    assert "7 starts in the last hour; the limit is 6 (set in the site file)" in event.text
    assert "Compressors start by themselves" in event.text


def test_returns_when_the_hour_is_quiet_again():
    shape = lambda at: float(at < 40 * MINUTE and at % (5 * MINUTE) < MINUTE)  # noqa: E731
    s = story(**SIX).feed(series({RUN: shape}, end=2 * HOUR))
    # Below the limit by the deadband: five or fewer, so three of eight starts have aged.
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]
    assert 70 * MINUTE <= s.moves(C)[1][1] <= 75 * MINUTE + SECOND


def test_a_quiet_compressor_is_silent():
    s = story(**SIX).feed(series({RUN: every(12 * MINUTE)}, end=3 * HOUR))
    assert s.moves(C) == []


def test_trap_bounce_on_the_contact():
    # The contact chatters for 6 s at each change: 1 s polls catch it open and closed.
    def shape(at: int) -> float:
        part = at % (20 * MINUTE)
        on = part < 4 * MINUTE
        bouncing = part < 6 * SECOND or 4 * MINUTE <= part < 4 * MINUTE + 6 * SECOND
        return float(on != (bouncing and at // SECOND % 2 == 1))
    s = story(**SIX).feed(series({RUN: shape}, end=2 * HOUR, every=SECOND))
    assert s.moves(C) == []


def test_starts_between_two_samples_are_seen_by_the_counter():
    # Polled once a minute, always while it runs.
    s = story(**SIX).feed(series({RUN: 1, STARTS: count(4 * MINUTE)}, end=HOUR, every=MINUTE))
    assert s.moves(C) == [("raised", 28 * MINUTE + SECOND)]


@pytest.mark.parametrize("new", [3.0, 60_000.0])
def test_trap_a_counter_that_was_replaced(new):
    shape = lambda at: 100.0 + at // (15 * MINUTE) if at < HOUR else new  # noqa: E731
    s = story(**SIX).feed(series({RUN: every(15 * MINUTE), STARTS: shape}, end=2 * HOUR))
    assert s.moves(C) == []


def test_trap_starts_of_a_long_silence_are_not_all_of_its_last_hour():
    rows = [r for r in series({RUN: 0, STARTS: count(30 * MINUTE)}, end=12 * HOUR, every=MINUTE)
            if not HOUR < r.time - T0 < 11 * HOUR]
    assert story(**SIX).feed(rows).moves(C) == []


def test_the_limit_follows_from_the_tank():
    # 10 gal (1.337 ft3), 60 to 80 psi, 3 scfm: 1.337 x 20/14.696 = 1.819 scf held, so
    # 3 x 60 / (4 x 1.819) = 24.7 an hour at most, and half as many again.
    flow = 3.0 * 0.028316847 / 60 * 101325 / (8.314462618 * 288.7056)
    gen = Generator(id="g", name="G", tank_volume=10 * 0.003785411784, cut_in=60, cut_out=80,
                    compressor_delivery=flow)
    limit, why = most_starts(gen, 15.5556)
    assert limit == pytest.approx(1.5 * 24.74, rel=2e-3)
    assert "tank" in why
    assert most_starts(Generator(id="g", name="G"), 15.0)[0] == 10.0


def pumped_up_in_6_min(on: int, until: int) -> Story:
    """Return runs of ``on`` ms each 10 min of every other hour, from ``until`` on of 6 min."""
    short = every(10 * MINUTE, on)
    shape = lambda at: (short(at) * (at // HOUR % 2 == 0) if at < until  # noqa: E731
                        else every(50 * MINUTE, 6 * MINUTE)(at))
    s = story()
    s.monitor.record_event(SystemEvent(
        time=T0, site="fenmoor", fact="baseline-accepted", asset="gen1", text="…",
        values={"quantity": "pump-up-time", "value": 6.0, "deviation": 0.1, "unit": "min",
                "by": "Ines Okoro (technician)"}))
    return s.feed(series({RUN: shape}, end=until + 4 * HOUR))


def test_the_limit_follows_from_the_pump_up_time():
    # At most 60 / (4 x 6) = 2.5 an hour, two more at least: the fifth is one too many. It ran when
    # the watch began: that start is not counted.
    s = pumped_up_in_6_min(MINUTE, 6 * HOUR)
    assert s.moves(C)[0] == ("raised", 50 * MINUTE + 10 * SECOND)
    assert "pumped up in 6.0 min" in s.alarms(C)[0].text


def test_it_is_one_alarm_until_a_run_is_as_long_as_it_should_be():
    assert [m for m, _ in pumped_up_in_6_min(MINUTE, 6 * HOUR).moves(C)] == ["raised", "returned"]


def test_unknown_while_the_contact_is_silent():
    s = story(**SIX).feed(series({RUN: every(12 * MINUTE)}, end=HOUR)).advance(2 * HOUR)
    evaluation = next(v for v in s.monitor.evaluations() if v.condition == C)
    assert evaluation.state is ConditionState.UNKNOWN


def test_a_restart_tells_the_same():
    rows = series({RUN: every(5 * MINUTE), STARTS: count(5 * MINUTE)}, end=HOUR)
    whole = story(**SIX).feed(rows)
    assert [m for m, _ in whole.moves(C)] == ["raised"]
    for at in (3, 200, 722, 741, 1000):
        assert with_restart(rows, at, **SIX).moves(C) == whole.moves(C)


def test_not_watched_without_contact_and_counter():
    s = story(plant(devices={"io": (5000, ("gen1.mode",))}))
    assert s.reason(C, "gen1") == "neither compressor running nor starts at gen1"
