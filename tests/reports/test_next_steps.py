"""What a report says of impairments, of the period's alarms, and of a period without readings."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.cli import main
from collector.clock import format_instant
from collector.domain.events import AlarmTransition, Priority, Signal, SystemEvent, Transition
from collector.journal import Journal
from tests.reports.conftest import START, report, section, words
from tests.reports.example import DAY, HOUR, MIN, fill, site_file


def _fact(fact: str, at: int, until: int) -> SystemEvent:
    return SystemEvent(time=at, site="fenmoor", fact=fact, asset="r1", text="", values={
        "since": format_instant(at), "until": format_instant(until), "by": "R. Okafor",
        "why": "branch line renewed", "quiet": ""})


def _alarm(transition: Transition, at: int, since: int) -> AlarmTransition:
    return AlarmTransition(
        time=at, site="fenmoor", condition="pressure-high", asset="r1", transition=transition,
        priority=Priority.HIGH, signal=Signal.SUPERVISORY, since=since, id=f"pressure-high.{since}",
        text="Pressure high. Check in this order: 1) a regulator that creeps; 2) the gauge.")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = site_file(tmp_path)
    with Journal.open(tmp_path / "var/journal.sqlite") as journal:
        fill(journal, START, 2, every=30 * MIN)
        first, second = START + 2 * HOUR, START + 30 * HOUR
        journal.commit([], [
            _alarm(Transition.RAISED, first, first),
            _alarm(Transition.RETURNED, first + HOUR, first),
            _alarm(Transition.RAISED, second, second),
            _alarm(Transition.RETURNED, second + HOUR, second),
            _fact("impairment-declared", START + DAY, START + 3 * DAY),
        ])
    return path


def test_an_impairment_at_the_end_is_said_first_of_the_state(site: Path) -> None:
    found = report(site, START, START + 2 * DAY)
    said = words(section(found, "State at the end"))
    assert said[0].startswith("Impaired until 19 Mar 2026, 00:00")
    assert "R. Okafor: branch line renewed" in said[0]
    assert any("Impairment" in w and "R. Okafor" in w
               for w in words(section(found, "Impairments and visits")))


def test_what_to_do_next_names_an_alarm_that_has_ended_with_its_cause(site: Path) -> None:
    said = words(section(report(site, START, START + 2 * DAY), "What to do next"))
    line = next(w for w in said if w.startswith("Pressure high at"))
    assert "came 2 times and has ended, 2 h in all (high)." in line
    assert line.endswith("Ask on site about: a regulator that creeps.")


def test_a_period_without_readings_is_refused_with_the_first_instant(
    site: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:
    given = ("report", str(site), "--from", "2026-01-01", "--to", "2026-02-01",
             "--out", str(tmp_path / "out"))
    assert main(given) == 2
    said = capsys.readouterr().err
    assert "nothing was monitored in" in said
    assert "readings begin at 16 Mar 2026, 00:00" in said
    assert not (tmp_path / "out").exists()
    assert main([*given, "--allow-empty"]) == 0
