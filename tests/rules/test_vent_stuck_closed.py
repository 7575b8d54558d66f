"""vent-stuck-closed and its trap."""

from __future__ import annotations

from tests.rules.purges import O2, OPEN, noisy, told
from tests.rules.support import DAY, HOUR, MINUTE, plant, series, story

C = "vent-stuck-closed"
HIGH = noisy(lambda t: 8.0)


def test_closed_with_a_purge_due_longer_than_a_daily_timer_pauses():
    s = told().feed(series({O2: HIGH, OPEN: 0}, end=2 * DAY, every=MINUTE))
    assert s.moves(C) == [("raised", 26 * HOUR)]
    text = s.alarms(C)[0].text
    assert "closed with a purge due for at least 1 d 2 h" in text
    assert "Oxygen is 8." in text or "Oxygen is 7.9" in text


def test_a_vent_that_purged_steadily_is_known_to_have_no_timer():
    s = told().feed(series({O2: HIGH, OPEN: lambda t: float(t < 10 * HOUR)}, end=14 * HOUR,
                           every=MINUTE))
    assert s.moves(C) == [("raised", 12 * HOUR)]


def test_it_returns_when_the_vent_opens():
    s = told().feed(series({O2: HIGH, OPEN: lambda t: float(not 10 * HOUR <= t < 14 * HOUR)},
                           end=15 * HOUR, every=MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]


def test_trap_a_timer_that_opens_for_most_of_the_day_is_called_once_at_most():
    shut = lambda t: float(t % DAY < 20 * HOUR)  # noqa: E731
    s = told().feed(series({O2: HIGH, OPEN: shut}, end=8 * DAY, every=5 * MINUTE))
    assert [m for m, _ in s.moves(C)] == ["raised", "returned"]


def test_trap_a_purge_planned_by_timer():
    for period in (12 * HOUR, DAY):
        shut = lambda t, p=period: float(t % p < 2 * HOUR)  # noqa: E731
        s = told().feed(series({O2: HIGH, OPEN: shut}, end=8 * DAY, every=5 * MINUTE))
        assert s.moves(C) == []


def test_trap_a_weekly_timer_is_stated():
    s = told(vent_stuck_closed={"planned": 7 * DAY})
    s.feed(series({O2: HIGH, OPEN: lambda t: float(t % (7 * DAY) < 4 * HOUR)}, end=20 * DAY,
                  every=10 * MINUTE))
    assert s.moves(C) == []


def test_room_air_in_a_shut_chamber_asks_for_no_purge():
    opening = lambda t: t % (12 * HOUR) < HOUR  # noqa: E731
    o2 = lambda t: 1.7 if opening(t) else 9.0  # noqa: E731
    s = told(vent_stuck_closed={"limit": 3 * HOUR})
    s.feed(series({OPEN: lambda t: float(opening(t)), O2: noisy(o2)}, end=5 * DAY,
                  every=5 * MINUTE))
    # Only the first pause, before the chamber was seen to breathe, may look like one.
    assert all(at < 13 * HOUR for _, at in s.moves(C))


def test_at_the_target_it_may_stay_closed():
    s = told().feed(series({O2: noisy(lambda t: 2.2), OPEN: 0}, end=5 * DAY, every=5 * MINUTE))
    assert s.moves(C) == []


def test_not_watched_without_the_position():
    s = story(plant(devices={"io": (5000, (O2,))}))
    assert s.reason(C, "r1-vent") == "no open contact at r1-vent"
