"""Which period is due, by the wall clock of the site, across both changes of clocks."""

from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.reports.times import last_due, next_period
from tests.reports.example import DAY, HOUR, LONDON, at


@pytest.mark.parametrize(("every", "now", "start", "end"), [
    ("week", "2026-03-30T07:00", "2026-03-23", "2026-03-30"),       # 167 hours: clocks went forward
    ("week", "2026-03-30T06:59", "2026-03-16", "2026-03-23"),
    ("week", "2026-10-26T07:00", "2026-10-19", "2026-10-26"),       # 169 hours: they went back
    ("month", "2026-04-01T07:00", "2026-03-01", "2026-04-01"),
    ("month", "2026-04-01T06:59", "2026-02-01", "2026-03-01"),
    ("month", "2026-01-15T12:00", "2025-12-01", "2026-01-01"),
    ("quarter", "2026-06-30T23:00", "2026-01-01", "2026-04-01"),
    ("quarter", "2026-07-01T07:00", "2026-04-01", "2026-07-01"),
])
def test_the_newest_period_that_is_due(every: str, now: str, start: str, end: str) -> None:
    found = last_due(every, 7 * 60, LONDON, at(now))
    assert (found.start, found.end) == (at(start), at(end))
    assert found.due == at(end) + 7 * HOUR


def test_weeks_of_a_change_of_clocks_are_an_hour_off() -> None:
    spring = last_due("week", 420, LONDON, at("2026-03-30T07:00"))
    autumn = last_due("week", 420, LONDON, at("2026-10-26T07:00"))
    assert spring.end - spring.start == 7 * DAY - HOUR
    assert autumn.end - autumn.start == 7 * DAY + HOUR


@given(every=st.sampled_from(["week", "month", "quarter"]), at_=st.integers(0, 1439),
       now=st.integers(1_600_000_000_000, 2_000_000_000_000),
       zone=st.sampled_from(["Europe/London", "America/St_Johns", "Australia/Lord_Howe"]))
def test_periods_follow_each_other_without_gap(every: str, at_: int, now: int, zone: str) -> None:
    last = last_due(every, at_, ZoneInfo(zone), now)
    following = next_period(every, at_, ZoneInfo(zone), last.end)
    assert last.due <= now < following.due
    assert following.start == last.end
    assert next_period(every, at_, ZoneInfo(zone), last.start) == last
