"""Numbers of the report against numbers worked out by hand from what was written."""

from collections.abc import Callable
from pathlib import Path

import pytest

from collector.domain.readings import Reading
from collector.journal import Journal
from collector.reports import Report
from tests.reports.conftest import GAP, START, report, rows, section, words
from tests.reports.example import DAY, HOUR, at, estimate, moved, site_file

END = START + 14 * DAY


@pytest.fixture(scope="module")
def found(fortnight: Path) -> Report:
    return report(fortnight, START, END)


def test_energy_and_what_the_leak_costs(found: Report) -> None:
    # 14 days of 3 kWh at 0.24: 42 kWh, 10.08. Leak: r1 rises evenly from 0.5 to 1.0 scfh, mean
    # of 0.5 (1 + k/14) for k = 1..14 is 0.7679; r2 0.5; 1.2679 of 4.0 scfh is 31.70 %: 13.31 kWh,
    # 3.195 GBP (written 3.19); a year of it, x 365.25 / 14, is 83.36 GBP.
    (row,) = rows(section(found, "Energy and what the leak costs"))
    assert row == ("Nitrogen generator", "42.0 kWh", "10.1 GBP", "14 d",
                   "32 %: 13.3 kWh, 3.19 GBP; in a year 83.4 GBP")


def test_the_leak_table_has_mean_change_and_latest(found: Report) -> None:
    dock, freezer = rows(section(found, "Leak"))[:2]
    # First quarter: days 1 to 3 (those that ended in the first 3.5 days), last: days 11 to 14.
    assert dock == ("Dock riser", "14", "0.768 scfh", "0.571", "0.946", "1.00 (0.900 to 1.10)")
    assert freezer == ("Freezer riser", "14", "0.500 scfh", "0.500", "0.500",
                       "0.500 (0.450 to 0.550)")
    assert any("Look for the leak of Dock riser: it grew from 0.571 to 0.946 scfh" in w
               for w in words(section(found, "What to do next")))


def test_oxygen_exposure_adds_up_the_days(found: Report) -> None:
    got = rows(section(found, "Oxygen exposure"))
    assert got[0][:3] == ("Dock riser", "7.00 % d", "14 d")


def test_gauge_readings_are_those_of_monday_nine_o_clock(found: Report) -> None:
    # Mondays 16, 23 March and 30 March is the end. The swing is sin(2 pi x days since START); at
    # 09:00 it is sin(135 deg) = 0.7071: 26 + 1.06 and 27 + 1.06.
    got = rows(section(found, "Gauge readings"))[:2]
    assert got == [("Mon 16 Mar 2026", "27.1 psi", "28.1 psi"),
                   ("Mon 23 Mar 2026", "27.1 psi", "28.1 psi")]


def test_alarms_are_listed_with_what_became_of_them(found: Report) -> None:
    # Every ninth day from the third: one on day 3, one on day 12, and a leak on the last day.
    got = rows(section(found, "Events"))
    assert got == [
        ("19 Mar 2026, 02:00", "high", "Pressure low", "Dock riser", "2 h",
         "after 6 min by ann"),
        ("28 Mar 2026, 02:00", "high", "Pressure low", "Dock riser", "2 h",
         "after 6 min by ann"),
        ("29 Mar 2026, 00:00", "medium", "Leak rate high", "Dock riser", "still active",
         "not acknowledged"),
    ]
    assert words(section(found, "What to do next"))[0].startswith(
        "Leak rate high at Dock riser still active, since 29 Mar 2026, 00:00 (medium). "
        "Check first:")


def test_alarm_measures_are_in_the_table(found: Report) -> None:
    got = {row[0]: row[1] for row in rows(section(found, "The alarm system itself"))}
    assert got["Alarms a day"] == "0.21"  # 3 in 14 days
    assert got["Priorities"] == "0.0 % low, 33.3 % medium, 66.7 % high"
    assert got["Stale (stood over 24 h)"] == "0, 0 on the worst day"
    assert any("at least 30 days" in w for w in words(section(found, "The alarm system itself")))


def test_coverage_and_the_gap_are_stated(found: Report) -> None:
    # 7 of 336 hours: 97.9 %. Half-hourly readings; the gap is seven whole hours.
    got = {row[0]: row[1:] for row in rows(section(found, "Valid data"))}
    assert got["Dock riser: supervisory pressure"] == (
        "97.9 %", "1", "7 h", "21 Mar 2026, 00:00")
    assert GAP[0] == at("2026-03-21T00:00")


def test_a_span_with_a_change_of_clocks_keeps_to_the_calendar(
    fortnight: Path, make: Callable[..., Report],
) -> None:
    # 29 March 2026 has 23 hours in Britain; the day is whole and covered, and says its own days.
    start, end = at("2026-03-29"), at("2026-03-30")
    assert end - start == 23 * HOUR
    found = make(fortnight, start, end)
    assert found.period == "29 March 2026 to 29 March 2026"
    got = {row[0]: row[1] for row in rows(section(found, "Valid data"))}
    assert got["Dock riser: all 3 points"] == "100 %"
    assert any(w.startswith("1 alarm was raised in 23 h")
               for w in words(section(found, "The period in brief")))


def test_gauges_are_read_at_nine_by_the_clock_on_both_sides_of_the_change(
    tmp_path: Path, make: Callable[..., Report],
) -> None:
    site = site_file(tmp_path, 1)
    readings = []
    for text, value in (("2026-03-23T09:00", 21.0), ("2026-03-30T09:00", 17.0),
                        ("2026-03-30T10:20", 30.0), ("2026-04-06T12:00", 30.0)):
        time = at(text)
        readings.append(Reading(point="r1.pressure", asked=time, time=time, value=value))
    with Journal.open(tmp_path / "var/journal.sqlite") as journal:
        journal.commit(readings, [])
    found = make(site, at("2026-03-23"), at("2026-04-07"))
    assert rows(section(found, "Gauge readings")) == [
        ("Mon 23 Mar 2026", "21 psi"), ("Mon 30 Mar 2026", "17 psi, low"),
        ("Mon 6 Apr 2026", "no reading")]


def test_a_low_air_switch_makes_it_monthly(tmp_path: Path, make: Callable[..., Report]) -> None:
    site = site_file(tmp_path, 1)
    readings = [Reading(point=p, asked=t, time=t, value=v)
                for t in (at("2026-03-02T09:00"), at("2026-04-01T09:00"))
                for p, v in (("r1.pressure", 25.0), ("r1.low_air", 0.0))]
    with Journal.open(tmp_path / "var/journal.sqlite") as journal:
        journal.commit(readings, [])
    found = make(site, at("2026-01-01"), at("2026-04-02"))
    assert rows(section(found, "Gauge readings"))[-1] == ("Wed 1 Apr 2026", "25 psi")
    assert any("Test the low-air switch of Dock riser" in w
               for w in words(section(found, "What to do next")))


def test_estimates_whose_windows_overlap_are_not_added_twice(
    tmp_path: Path, make: Callable[..., Report],
) -> None:
    site = site_file(tmp_path, 1)
    start = at("2026-06-01")
    events = [
        estimate("energy", "gen1", start + DAY // 2, 9.0, "kWh", days=1.0),  # began before
        estimate("energy", "gen1", start + DAY, 2.0, "kWh"),
        estimate("energy", "gen1", start + DAY + 6 * HOUR, 5.0, "kWh"),      # laps over the last
        estimate("energy", "gen1", start + 2 * DAY, 3.0, "kWh"),
    ]
    with Journal.open(tmp_path / "var/journal.sqlite") as journal:
        journal.commit([], events)
    found = make(site, start, start + 3 * DAY)
    assert rows(section(found, "Energy and what the leak costs"))[0][1:4] == (
        "5.00 kWh", "–", "2 d")


def test_an_alarm_from_before_still_counts_as_standing(
    tmp_path: Path, make: Callable[..., Report],
) -> None:
    from collector.domain.events import Transition

    site = site_file(tmp_path, 1)
    with Journal.open(tmp_path / "var/journal.sqlite") as journal:
        journal.commit([], [moved(at("2026-01-05T10:00"), Transition.RAISED)])
    found = make(site, at("2026-02-01"), at("2026-03-01"))
    assert rows(section(found, "State at the end")) == [
        ("high", "Pressure low", "Dock riser", "5 Jan 2026, 10:00",
         "not acknowledged")]
    assert any(w == "No alarm was raised in 28 d; 1 active at the end."
               for w in words(section(found, "The period in brief")))
