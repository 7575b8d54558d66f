"""Ticks: round values, and the site's own clock across a change of hour."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.domain.readings import QUANTITIES
from collector.plots.axes import axis_of, step_for, time_ticks, value_ticks

LONDON = ZoneInfo("Europe/London")
HOUR = 3_600_000


def at(text: str, zone: ZoneInfo = LONDON) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=zone).timestamp()) * 1000


@given(low=st.floats(-1e4, 1e4), width=st.floats(0, 1e4))
def test_value_ticks_are_few_even_and_take_in_the_range(low: float, width: float) -> None:
    ticks = value_ticks(low, low + width)
    assert 2 <= len(ticks) <= 7
    slack = 1e-6 * max(1.0, abs(low) + width)
    assert ticks[0] <= low + slack
    assert ticks[-1] >= low + width - slack
    steps = [b - a for a, b in zip(ticks, ticks[1:], strict=False)]
    assert max(steps) == pytest.approx(min(steps), rel=1e-6)
    assert f"{steps[0]:.6e}"[0] in "125"


def test_an_axis_shows_the_units_the_site_reads() -> None:
    pressure = QUANTITIES["riser"]["pressure"]
    assert axis_of(pressure, "us").words(18.0) == "18 psi"
    assert axis_of(pressure, "metric").words(100.0) == "6.89 bar"  # 100 psi, NIST SP 811
    room = QUANTITIES["riser"]["valve_room_temperature"]
    assert axis_of(room, "us").words(4.4444) == "40 °F"
    assert axis_of(room, "metric").words(-4.0) == "−4 °C"


def test_days_start_at_local_midnight_across_both_changes_of_clock() -> None:
    # In 2026 British clocks go forward on 29 March and back on 25 October.
    for first, last, hours in (("2026-03-28", "2026-03-31", 23), ("2026-10-24", "2026-10-27", 25)):
        ticks = time_ticks(at(first), at(last), LONDON)
        days = [t for t in ticks if t.text == "00:00"]
        assert [t.time for t in days] == [
            at(f"{first[:8]}{int(first[8:]) + n}") for n in range(len(days))
        ]
        apart = {(b.time - a.time) / HOUR for a, b in zip(days, days[1:], strict=False)}
        assert apart == {24.0, float(hours)}


def test_an_hour_that_the_clocks_skip_has_no_tick() -> None:
    ticks = time_ticks(at("2026-03-29T00:00"), at("2026-03-29T06:00"), LONDON, 8)
    assert [t.text for t in ticks] == ["00:00", "02:00", "03:00", "04:00", "05:00", "06:00"]
    assert ticks[1].time - ticks[0].time == HOUR


def test_the_wider_date_is_told_where_it_changes() -> None:
    ticks = time_ticks(at("2026-12-01"), at("2027-06-01"), LONDON)
    assert [(t.text, t.under) for t in ticks] == [
        ("Dec", "2026"), ("Jan", "2027"), ("Feb", ""), ("Mar", ""), ("Apr", ""), ("May", ""),
        ("Jun", "")]
    hours = time_ticks(at("2026-12-31T12:00"), at("2027-01-01T12:00"), LONDON)
    assert [t.under for t in hours if t.under] == ["Thu 31 Dec 2026", "Fri 1 Jan 2027"]


def test_weeks_start_on_mondays() -> None:
    ticks = time_ticks(at("2026-03-01"), at("2026-04-12"), LONDON)
    assert [t.text for t in ticks] == ["2 Mar", "9 Mar", "16 Mar", "23 Mar", "30 Mar", "6 Apr"]


@given(start=st.integers(0, 4_000_000_000_000), span=st.integers(1000, 4 * 366 * 24 * HOUR),
       zone=st.sampled_from(["Europe/London", "Asia/Kathmandu", "Australia/Lord_Howe", "UTC"]))
def test_any_span_has_few_ticks_in_order_inside_it(start: int, span: int, zone: str) -> None:
    ticks = time_ticks(start, start + span, ZoneInfo(zone), 8)
    times = [t.time for t in ticks]
    assert len(times) <= 10
    assert times == sorted(set(times))
    assert all(start <= t <= start + span for t in times)


def test_a_long_span_asks_for_whole_hours() -> None:
    year = 365 * 24 * HOUR
    assert step_for(0, year) % HOUR == 0
    assert year / step_for(0, year) <= 400
    assert step_for(0, 15 * 24 * HOUR) == HOUR
