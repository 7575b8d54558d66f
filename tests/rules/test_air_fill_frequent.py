"""air-fill-frequent, and the traps it must not be fooled by."""

from __future__ import annotations

from collector.domain.evaluations import ConditionState
from tests.rules.restarts import with_restart
from tests.rules.support import DAY, HOUR, MINUTE, SECOND, T0, plant, series, story

MODE = "gen1.mode"
C = "air-fill-frequent"


def fallbacks(*hours: float, minutes: int = 10):
    """Return a mode that falls back at each of ``hours``."""
    return lambda at: 2.0 if any(h * HOUR <= at < h * HOUR + minutes * MINUTE for h in hours) \
        else 1.0


def rows(shape, end=10 * HOUR):
    return series({MODE: shape}, end=end, every=20 * SECOND)


def test_raised_with_the_fourth_fallback_of_a_day():
    s = story().feed(rows(fallbacks(1, 3, 5, 7)))
    assert s.moves(C) == [("raised", 7 * HOUR + 10 * SECOND)]
    event = s.alarms(C)[0]
    assert event.values["fallbacks"] == 4
    assert "4 times in the last 24 h the unit fell back to air-fill; the limit is 3." in event.text
    assert "The last time was 07:00:00 on Sunday 1 March 2026 (GMT)." in event.text


def test_three_are_allowed():
    s = story().feed(rows(fallbacks(1, 3, 5)))
    assert s.moves(C) == []


def test_returns_when_the_day_is_better():
    s = story().feed(series({MODE: fallbacks(1, 3, 5, 7)}, end=30 * HOUR, every=MINUTE))
    # Two or fewer: when the second of them is a day old.
    assert s.moves(C)[1] == ("returned", 27 * HOUR)


def test_trap_a_declared_fill():
    given = rows(fallbacks(1, 3, 5, 7))
    s = story().feed([r for r in given if r.time < T0 + HOUR // 2])
    s.monitor.declare_fill("r1", T0 + 6 * HOUR)
    s.feed([r for r in given if r.time >= T0 + HOUR // 2])
    assert s.moves(C) == []


def test_bounce_of_the_mode_is_no_fallback():
    shape = lambda at: 2.0 if at % HOUR == 0 and at else 1.0  # noqa: E731
    s = story().feed(series({MODE: shape}, end=10 * HOUR, every=5 * SECOND))
    assert s.moves(C) == []


def test_a_fallback_under_way_at_the_start_is_not_counted():
    s = story().feed(rows(fallbacks(0, 3, 5, 7)))
    assert s.moves(C) == []


def test_unknown_while_the_mode_is_silent():
    s = story().feed(rows(fallbacks(1), end=2 * HOUR)).advance(3 * HOUR)
    evaluation = next(v for v in s.monitor.evaluations() if v.condition == C)
    assert evaluation.state is ConditionState.UNKNOWN


def test_a_restart_tells_the_same():
    given = rows(fallbacks(1, 3, 5, 7), end=DAY // 3)
    whole = story().feed(given)
    for at in (1, 181, 1000, 1261):
        assert with_restart(given, at).moves(C) == whole.moves(C)


def test_not_watched_without_a_mode():
    s = story(plant(devices={"io": (5000, ("gen1.compressor_running",))}))
    assert s.reason(C, "gen1") == "no mode at gen1"
