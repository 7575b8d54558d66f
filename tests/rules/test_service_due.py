"""service-due and hours-to-service, and the traps they must not be fooled by."""

from __future__ import annotations

from datetime import date

import pytest

from collector.domain.evaluations import ConditionState
from collector.domain.plant import Generator
from collector.rules.plan import HourClock, calendar_due, months_later
from tests.rules.restarts import with_restart
from tests.rules.support import DAY, HOUR, MINUTE, T0, plant, series, story

HOURS = "gen1.running_hours"
C, Q = "service-due", "hours-to-service"


def unit(**plan):
    return plant(generator=Generator(id="gen1", name="Generator 1", **plan))


BY_HOURS = {"service_every": 2000.0, "last_service": date(2025, 6, 1), "last_service_hours": 500.0}


def counter(start: float, share: float = 1.0):
    """Return an hour counter in steps of 0.1 h that runs for ``share`` of the time."""
    return lambda at: round((start + share * at / HOUR) * 10 // 1 / 10, 1)


def evaluation(s):
    return next(v for v in s.monitor.evaluations() if v.condition == C)


def rows(shape, end=12 * HOUR, start=0):
    return series({HOURS: shape}, start=start, end=end, every=5 * MINUTE)


def test_due_when_the_hours_reach_the_plan():
    s = story(unit(**BY_HOURS)).feed(rows(counter(2495.0)))
    assert [m for m, _ in s.moves(C)] == ["raised"]
    assert s.moves(C)[0][1] == pytest.approx(5 * HOUR, abs=6 * MINUTE)
    event = s.alarms(C)[0]
    assert event.values["hours_since_service"] == 2000.0
    assert "2000 running hours since the last service; the plan is one every 2000 h" in event.text
    assert "last_service_hours in the site file" in event.text


def test_due_by_the_calendar_to_the_minute_of_the_site():
    # Three months after 2 December begins 2 March, London time.
    s = story(unit(service_months=3, last_service=date(2025, 12, 2)))
    s.feed(series({"gen1.mode": 1}, end=DAY + HOUR, every=5 * MINUTE))
    assert s.moves(C) == [("raised", DAY)]
    text = s.alarms(C)[0].text
    assert "Last service on 2 December 2025" in text
    assert "was due at 00:00:00 on Monday 2 March 2026 (GMT)" in text


def test_the_calendar_goes_on_while_the_counter_is_silent():
    s = story(unit(**BY_HOURS, service_months=9))
    s.feed(rows(counter(700.0), end=HOUR)).advance(2 * HOUR)
    # Nine months after 1 June 2025 is 1 March 2026, which began with the story.
    assert [m for m, _ in s.moves(C)] == ["raised"]


def test_not_due_is_silent_and_absent():
    s = story(unit(**BY_HOURS)).feed(rows(counter(1200.0)))
    assert s.moves(C) == []
    assert evaluation(s).state is ConditionState.INACTIVE


def test_a_unit_never_serviced_counts_from_new():
    s = story(unit(service_every=2000.0)).feed(rows(counter(2001.0), end=HOUR))
    assert [m for m, _ in s.moves(C)] == ["raised"]


def test_trap_a_counter_that_was_replaced():
    shape = lambda at: counter(2495.0)(at) if at < 3 * HOUR else counter(0.0)(at - 3 * HOUR)  # noqa: E731
    s = story(unit(**BY_HOURS)).feed(rows(shape))
    assert [m for m, _ in s.moves(C)] == ["raised"]
    # It goes on from where the old one stopped: five hours in all, not two thousand.
    assert s.moves(C)[0][1] == pytest.approx(5 * HOUR, abs=15 * MINUTE)
    assert "was replaced or rolled over at 03:00:00" in s.alarms(C)[0].text


def test_trap_a_counter_that_rolled_over():
    plan = {**BY_HOURS, "last_service_hours": 8000.0}
    shape = lambda at: counter(9997.0)(at) if at < 170 * MINUTE else counter(9997.0)(at) - 9999.8  # noqa: E731
    s = story(unit(**plan)).feed(rows(lambda at: round(shape(at), 1), end=6 * HOUR))
    assert s.moves(C)[0][1] == pytest.approx(3 * HOUR, abs=15 * MINUTE)


def test_trap_a_new_counter_that_reads_more():
    shape = lambda at: counter(700.0)(at) if at < 3 * HOUR else counter(40_000.0)(at)  # noqa: E731
    s = story(unit(**BY_HOURS)).feed(rows(shape))
    assert s.moves(C) == []


def test_trap_one_absurd_reading():
    shape = lambda at: 65_535.0 if at == 3 * HOUR else counter(700.0)(at)  # noqa: E731
    s = story(unit(**BY_HOURS)).feed(rows(shape, end=DAY + HOUR))
    assert s.moves(C) == []
    assert s.estimates(Q)[-1].value == pytest.approx(2000 - 200 - 24, abs=0.2)
    assert s.estimates(Q)[-1].high - s.estimates(Q)[-1].low == pytest.approx(0.2, abs=1e-6)


def test_trap_a_counter_replaced_before_anybody_watched():
    s = story(unit(**BY_HOURS)).feed(rows(counter(12.0), end=DAY + HOUR))
    assert s.moves(C) == []
    assert evaluation(s).state is ConditionState.UNKNOWN
    assert "less than the 500 h of the last service" in evaluation(s).because
    assert s.estimates(Q)[-1].value is None
    assert "replaced or rolled over" in s.estimates(Q)[-1].reason


def test_trap_more_hours_than_the_clock_allows():
    plan = {**BY_HOURS, "last_service": date(2026, 2, 20)}
    s = story(unit(**plan)).feed(rows(counter(9000.0), end=HOUR))
    assert s.moves(C) == []
    assert "more than the clock allows" in evaluation(s).because


def test_hours_to_service_with_its_interval():
    s = story(unit(**BY_HOURS)).feed(rows(counter(1500.0, share=0.25), end=DAY + HOUR))
    made = s.estimates(Q)[-1]
    assert made.unit == "h"
    assert made.time == T0 + DAY
    assert made.value == pytest.approx(1000.0 - 6.0, abs=0.11)
    assert made.low < made.value < made.high


def test_a_gap_at_the_exchange_widens_the_interval():
    shape = lambda at: counter(1500.0)(at) if at < 3 * HOUR else counter(0.0)(at - 8 * HOUR)  # noqa: E731
    kept = [r for r in rows(shape, end=DAY + HOUR) if not 3 * HOUR <= r.time - T0 < 8 * HOUR]
    made = story(unit(**BY_HOURS)).feed(kept).estimates(Q)[-1]
    # Five hours in which the new counter, or none, may have run.
    assert made.high - made.low == pytest.approx(5.2, abs=0.2)


def test_the_calendar_governs_where_it_comes_first():
    s = story(unit(**BY_HOURS, service_months=9 + 1)).feed(
        rows(counter(600.0), end=DAY + HOUR))
    made = s.estimates(Q)[-1]
    # From 2 March to 1 April 2026, by a clock that goes forward on 29 March.
    assert made.value == pytest.approx(30 * 24 - 1, abs=1e-6)
    assert made.low == made.high == made.value


def test_a_plan_without_a_counter_has_a_reason():
    the_plant = plant(generator=Generator(id="gen1", name="G", **BY_HOURS),
                      devices={"io": (60_000, ("gen1.mode",))})
    s = story(the_plant).feed(series({"gen1.mode": 1}, end=DAY + HOUR, every=MINUTE))
    assert s.reason(C, "gen1") == "no running hours at gen1"
    assert s.estimates(Q)[-1].reason == "no running hours at gen1"


def test_not_watched_without_a_plan():
    assert "no service plan for gen1" in story().reason(C, "gen1")
    half = story(unit(service_every=2000.0, last_service=date(2026, 1, 10)))
    assert half.reason(C, "gen1") == "the site file has last_service but not last_service_hours"


def test_a_restart_tells_the_same():
    shape = lambda at: counter(2495.0)(at) if at < 3 * HOUR else counter(0.0)(at - 3 * HOUR)  # noqa: E731
    given = rows(shape)
    whole = story(unit(**BY_HOURS)).feed(given)
    for at in (5, 36, 37, 50, 65):
        assert with_restart(given, at, unit(**BY_HOURS)).moves(C) == whole.moves(C)


def test_a_service_begins_a_new_count():
    clock = HourClock(plan="old")
    clock.sample(T0, 2500.0)
    clock.sample(T0 + HOUR, 3.0)
    assert clock.hours(3.0) == 2500.0
    clock.begin("old")
    assert clock.hours(3.0) == 2500.0
    clock.begin("new")
    assert clock.hours(3.0) == 3.0


def test_calendar():
    assert months_later(date(2024, 2, 29), 12) == date(2025, 2, 28)
    assert months_later(date(2026, 1, 31), 1) == date(2026, 2, 28)
    gen = Generator(id="g", name="G", service_months=6, last_service=date(2026, 1, 10))
    # 10 July 2026 begins in London at 23:00 UTC of the 9th.
    due = calendar_due(gen, "Europe/London")
    assert due is not None
    assert (due - T0) / HOUR == 131 * 24 - 1
