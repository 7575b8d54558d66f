"""Rotas held against the wall clock of zoneinfo (the IANA time zone data), both changes, two zones.

The instants of the changes are those of the zone data: Europe/London 2026-03-29 01:00 UTC and
2026-10-25 01:00 UTC; America/Chicago 2026-03-08 08:00 UTC and 2026-11-01 07:00 UTC.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.clock import parse_instant
from collector.notify.recipients import Override, Rota, next_hand_over, on_duty, turns

LONDON, CHICAGO = ZoneInfo("Europe/London"), ZoneInfo("America/Chicago")
HOUR = 3_600_000


def at(text: str) -> int:
    return parse_instant(text)


def rota(zone: ZoneInfo = LONDON, begins: date = date(2026, 1, 5), **more: object) -> Rota:
    given = {"hand_over": time(8), **more}
    return Rota(id="weeks", zone=zone, people=("ann", "ben", "cat"), begins=begins,
                **given)  # type: ignore[arg-type]


@pytest.mark.parametrize(("zone", "instant", "before", "after"), [
    # The Monday after each change: still 08:00 by the wall, another hour in UTC.
    (LONDON, "2026-03-23T08:00:00Z", "ben", "cat"), (LONDON, "2026-03-30T07:00:00Z", "cat", "ann"),
    (LONDON, "2026-10-19T07:00:00Z", "ben", "cat"), (LONDON, "2026-10-26T08:00:00Z", "cat", "ann"),
    (CHICAGO, "2026-03-02T14:00:00Z", "ben", "cat"),
    (CHICAGO, "2026-03-09T13:00:00Z", "cat", "ann"),
    (CHICAGO, "2026-10-26T13:00:00Z", "cat", "ann"),
    (CHICAGO, "2026-11-02T14:00:00Z", "ann", "ben"),
])
def test_a_hand_over_keeps_its_wall_clock_across_the_changes(
    zone: ZoneInfo, instant: str, before: str, after: str,
) -> None:
    moment = at(instant)
    assert datetime.fromtimestamp(moment / 1000, zone).time() == time(8)
    assert on_duty(rota(zone), moment - 1) == before
    assert on_duty(rota(zone), moment) == after


@pytest.mark.parametrize(("zone", "sunday", "hours"), [
    (LONDON, date(2026, 3, 29), 167), (LONDON, date(2026, 10, 25), 169),
    (CHICAGO, date(2026, 3, 8), 167), (CHICAGO, date(2026, 11, 1), 169),
])
def test_the_week_of_a_change_is_an_hour_short_or_long(
    zone: ZoneInfo, sunday: date, hours: int,
) -> None:
    monday = datetime.combine(sunday - timedelta(days=6), time(8), zone)
    start = int(monday.timestamp() * 1000)
    assert next_hand_over(rota(zone), start) == start + hours * HOUR


@pytest.mark.parametrize(("zone", "sunday", "instant"), [
    # 01:30 (Chicago: 02:30) is skipped on the one night and comes twice on the other.
    (LONDON, date(2026, 3, 29), "2026-03-29T01:30:00Z"),
    (LONDON, date(2026, 10, 25), "2026-10-25T00:30:00Z"),
    (CHICAGO, date(2026, 3, 8), "2026-03-08T08:30:00Z"),
    (CHICAGO, date(2026, 11, 1), "2026-11-01T06:30:00Z"),
])
def test_a_hand_over_within_the_change_happens_once(
    zone: ZoneInfo, sunday: date, instant: str,
) -> None:
    clock = time(2, 30) if instant.startswith("2026-03-08") else time(1, 30)
    nightly = rota(zone, begins=sunday, hand_over=clock)
    moment = at(instant)
    assert (on_duty(nightly, moment - 1), on_duty(nightly, moment)) == ("cat", "ann")
    people = [on_duty(nightly, moment + n * HOUR // 4) for n in range(-8, 20)]
    assert people == ["cat"] * 8 + ["ann"] * 20


@pytest.mark.parametrize(("zone", "sunday", "real_hours"), [
    (LONDON, date(2026, 3, 29), 13), (LONDON, date(2026, 10, 25), 15),
    (CHICAGO, date(2026, 3, 8), 13), (CHICAGO, date(2026, 11, 1), 15),
])
def test_an_override_across_a_change_is_by_the_wall_too(
    zone: ZoneInfo, sunday: date, real_hours: int,
) -> None:
    """20:00 on Saturday to 10:00 on Sunday: 14 hours of any other night."""
    start = datetime.combine(sunday - timedelta(days=1), time(20))
    end = datetime.combine(sunday, time(10))
    covered = rota(zone, overrides=(Override(start=start, end=end, person="dee"),))
    first = int(start.replace(tzinfo=zone).timestamp() * 1000)
    regular = on_duty(rota(zone), first)
    assert on_duty(covered, first - 1) == regular
    assert on_duty(covered, first) == "dee"
    assert on_duty(covered, first + real_hours * HOUR - 1) == "dee"
    assert on_duty(covered, first + real_hours * HOUR) == regular
    assert next_hand_over(covered, first) == first + real_hours * HOUR


def test_the_rota_has_a_zone_of_its_own() -> None:
    moment = at("2026-01-12T08:00:00Z")
    assert on_duty(rota(LONDON), moment) == "ben"
    assert on_duty(rota(CHICAGO), moment) == "ann"
    assert on_duty(rota(CHICAGO), moment + 6 * HOUR) == "ben"


def test_the_second_is_whose_turn_follows() -> None:
    moment = at("2026-01-12T12:00:00Z")
    assert turns(rota(), moment) == ("ben", "cat", "ann")
    day = datetime(2026, 1, 12)  # noqa: DTZ001 - wall clock of the rota
    covered = rota(overrides=(
        Override(start=day, end=day + timedelta(days=1), person="cat"),
    ))
    assert turns(covered, moment) == ("cat", "ben", "ann")


def test_of_two_overrides_the_later_line_counts() -> None:
    day = datetime(2026, 1, 12)  # noqa: DTZ001 - wall clock of the rota
    twice = rota(overrides=(
        Override(start=day, end=day + timedelta(days=3), person="cat"),
        Override(start=day + timedelta(days=1), end=day + timedelta(days=2), person="ann"),
    ))
    at_noon = [on_duty(twice, at(f"2026-01-{d}T12:00:00Z")) for d in (12, 13, 14, 15)]
    assert at_noon == ["cat", "ann", "cat", "ben"]


def test_a_hand_over_on_a_holiday_waits_for_the_next_day_that_is_none() -> None:
    """Easter Monday 2026 is 6 April: whoever has the long weekend keeps it until Tuesday."""
    easter = rota(holidays=frozenset({date(2026, 4, 6)}))
    assert on_duty(rota(), at("2026-04-06T09:00:00Z")) == "ben"
    assert on_duty(easter, at("2026-04-06T09:00:00Z")) == "ann"
    assert on_duty(easter, at("2026-04-07T06:59:59Z")) == "ann"
    assert on_duty(easter, at("2026-04-07T07:00:00Z")) == "ben"
    assert on_duty(easter, at("2026-04-13T07:00:00Z")) == "cat"


def test_turns_of_several_weeks() -> None:
    pairs = rota(weeks=2)
    weekly = [on_duty(pairs, at("2026-01-05T12:00:00Z") + n * 168 * HOUR) for n in range(7)]
    assert weekly == ["ann", "ann", "ben", "ben", "cat", "cat", "ann"]


def test_before_it_begins_the_last_is_on_duty() -> None:
    assert on_duty(rota(), at("2026-01-05T07:59:59Z")) == "cat"


def test_alone_on_a_rota_there_is_no_hand_over() -> None:
    alone = Rota(id="r", zone=LONDON, people=("ann",), begins=date(2026, 1, 5))
    assert next_hand_over(alone, at("2026-06-01T00:00:00Z")) is None
    with pytest.raises(ValueError, match="nobody"):
        Rota(id="r", zone=LONDON, people=(), begins=date(2026, 1, 5))


@given(st.integers(0, 4 * 366 * 24 * 60), st.sampled_from([LONDON, CHICAGO]))
def test_against_counting_local_weeks_with_datetime(minute: int, zone: ZoneInfo) -> None:
    """The same answer as walking the calendar from Monday to Monday, one at a time."""
    moment = datetime(2026, 1, 6, tzinfo=UTC) + timedelta(minutes=minute)
    local = moment.astimezone(zone)
    monday, passed = date(2026, 1, 5), -1
    while datetime.combine(monday, time(8), zone).astimezone(UTC) <= moment:
        monday, passed = monday + timedelta(days=7), passed + 1
    expected = ("ann", "ben", "cat")[passed % 3]
    assert on_duty(rota(zone), int(local.timestamp() * 1000)) == expected
