"""What a site's own watch said, said again from its archived journal: deeds of people among it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import pytest

from collector.app.monitor import SiteMonitor
from collector.cli import main
from collector.config import load_site
from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.events import Event, SystemEvent, event_to_json
from collector.domain.readings import Reading, readings_of
from collector.fleet.archive import Archive
from collector.fleet.rerun import jobs, rerun_site
from collector.journal import Journal
from tests.fleet.archives import DAY, EVERY, POINTS, T0, site_file, story

# A watch lives through two days, and some of it is run again and again.
pytestmark = pytest.mark.slow

HOUR = 3_600_000
DAYS = 2


def readings() -> list[Reading]:
    """Return two days; for some hours of each the compressor runs on and on, as in a fill."""
    columns = story(DAYS, 30)
    running = columns.points == POINTS.index("gen1.compressor_running")
    on_and_on = (columns.times % DAY >= 8 * HOUR) & (columns.times % DAY < 11 * HOUR)
    columns.values[running & on_and_on & columns.good] = 1.0
    return readings_of(columns)


def deeds() -> list[OperatorAction]:
    """Return what people do: most of it on the first day, so that the second shows its end."""
    by, why = "Kim Marsh", "the dock riser is filled"
    return [
        OperatorAction(kind=ActionKind.BEGIN_VISIT, alarm="r1", time=T0 + HOUR // 2 - 7_000,
                       by=by, why=why, until=T0 + HOUR),
        OperatorAction(kind=ActionKind.DECLARE_FILL, alarm="gen1", time=T0 + 8 * HOUR - 3_500,
                       by=by, why=why, until=T0 + 12 * HOUR),
        OperatorAction(kind=ActionKind.RESET_BASELINE, alarm="compressor-delivery.gen1",
                       time=T0 + 9 * HOUR, by=by, why="a new filter"),
        OperatorAction(kind=ActionKind.END_FILL, alarm="gen1", time=T0 + 11 * HOUR + 40_000,
                       by=by, why="full"),
        OperatorAction(kind=ActionKind.DECLARE_FILL, alarm="r1", time=T0 + DAY,
                       by=by, why=why, until=T0 + DAY + HOUR),
        OperatorAction(kind=ActionKind.DECLARE_IMPAIRMENT, alarm="r1", time=T0 + DAY + 20 * 60_000,
                       by=by, why="heads are changed", until=T0 + DAY + 3 * HOUR),
        OperatorAction(kind=ActionKind.END_IMPAIRMENT, alarm="r1", time=T0 + DAY + 2 * HOUR, by=by),
    ]


def lived(site: Path, journal: Journal) -> list[Event]:
    """Let a watch live through it, minute by minute, and journal all; return what it said."""
    config = load_site(site, secrets=False)
    monitor = SiteMonitor(plant=config.plant, settings=config.settings, step=config.step)
    waiting, rows = deeds(), readings()
    started = SystemEvent(time=T0 - 1000, site="fenmoor", fact="collector-started",
                          text="It began.")
    told = monitor.record_event(started)
    journal.commit([], [*told, started])
    for start in range(0, len(rows), len(POINTS)):
        polled, events = rows[start:start + len(POINTS)], list[Event]()
        while waiting and waiting[0].time <= polled[0].time:
            events += monitor.advance(waiting[0].time)
            events += monitor.act(waiting.pop(0))
        events += monitor.feed(polled)
        journal.commit(polled, events)
        told += events
    last = monitor.advance(rows[-1].time)
    journal.commit([], last)
    return [*told, *last]


@pytest.fixture(scope="module")
def journalled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Event]]:
    """A site file beside the journal of its two days."""
    sites = tmp_path_factory.mktemp("sites")
    site = site_file(sites, "fenmoor")
    data = load_site(site, secrets=False).data
    data.mkdir(parents=True)
    with Journal.open(data / "journal.sqlite") as journal:
        told = lived(site, journal)
    return site, told


def archived(tmp_path: Path, site: Path, capsys: pytest.CaptureFixture[str],
             more: Sequence[str] = ()) -> dict[str, int]:
    assert main(["archive", str(tmp_path / "archive"), str(site), *more]) == 0
    said: dict[str, int] = json.loads(capsys.readouterr().out)
    return said


def test_a_journal_is_archived_whole_and_once(
    tmp_path: Path, journalled: tuple[Path, list[Event]], capsys: pytest.CaptureFixture[str],
) -> None:
    site, told = journalled
    count = DAYS * DAY // EVERY * len(POINTS)
    first = archived(tmp_path, site, capsys)
    assert first == {"site": "fenmoor", "days": DAYS, "readings": count, "new_readings": count,
                     "events": len(told) + 1, "new_events": len(told) + 1}
    again = archived(tmp_path, site, capsys)
    assert (again["new_readings"], again["new_events"]) == (0, 0)
    archive = Archive(tmp_path / "archive")
    rows = [r for columns in archive.readings("fenmoor", None, None) for r in readings_of(columns)]
    assert [(r.time, r.point, r.value) for r in rows] == [
        (r.time, r.point, r.value) for r in sorted(
            readings(), key=lambda r: (r.time, [x.point for x in rows].index(r.point)))]
    assert {event_to_json(e) for e in told} <= {
        event_to_json(e) for e in archive.events("fenmoor", None, None)}


def test_a_part_of_a_journal_is_archived(
    tmp_path: Path, journalled: tuple[Path, list[Event]], capsys: pytest.CaptureFixture[str],
) -> None:
    site, told = journalled
    said = archived(tmp_path, site, capsys, [
        "--from", "2026-03-01T06:00:00Z", "--to", "2026-03-01T12:00:00Z"])
    inside = [e for e in told if T0 + 6 * HOUR <= e.time < T0 + 12 * HOUR]
    assert (said["readings"], said["events"]) == (6 * 60 * len(POINTS), len(inside))
    assert len(inside) > 2


def test_there_must_be_a_journal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["archive", str(tmp_path / "archive"), str(site_file(tmp_path, "fenmoor"))]) != 0
    assert "there is no journal yet at" in capsys.readouterr().err


def test_the_rerun_says_what_the_watch_said(
    tmp_path: Path, journalled: tuple[Path, list[Event]], capsys: pytest.CaptureFixture[str],
) -> None:
    site, told = journalled
    archived(tmp_path, site, capsys)
    job, = jobs(tmp_path / "archive", site.parent)
    found = rerun_site(job)
    assert list(found.lines) == [event_to_json(e) for e in told]
    assert found.refused == ()
    facts = [e.fact for e in told if isinstance(e, SystemEvent)]
    assert {"visit-begun", "visit-ended", "fill-declared", "fill-ended", "baseline-reset",
            "impairment-declared", "impairment-ended"} <= set(facts)
    assert facts.count("fill-ended") == 2, "one by a person, one by itself"
    assert found.compared is not None
    assert (found.compared.more, found.compared.fewer) == ({}, {})


def test_without_the_deeds_it_says_something_else(
    tmp_path: Path, journalled: tuple[Path, list[Event]], capsys: pytest.CaptureFixture[str],
) -> None:
    site, told = journalled
    archived(tmp_path, site, capsys)
    for path in (tmp_path / "archive").rglob("events.jsonl"):
        path.unlink()
    job, = jobs(tmp_path / "archive", site.parent)

    def long_runs(lines: Sequence[str]) -> list[str]:
        return [json.loads(line)["time"] for line in lines
                if '"condition":"compressor-long-run"' in line and '"raised"' in line]

    first, second = long_runs([event_to_json(e) for e in told])
    bare, same = long_runs(rerun_site(job).lines)
    assert bare < first, "a fill may take longer"
    assert same == second


def test_what_cannot_be_done_again_is_named(
    tmp_path: Path, journalled: tuple[Path, list[Event]], capfd: pytest.CaptureFixture[str],
) -> None:
    site, _ = journalled
    said = SystemEvent(time=T0 + HOUR, site="fenmoor", fact="fill-declared", asset="r7", text="It.",
                     values={"until": "2026-03-01T03:00:00Z", "by": "Kim Marsh", "why": "dry"})
    short = SystemEvent(time=T0 + HOUR, site="fenmoor", fact="fill-declared", asset="r1",
                        text="It.")
    archive = Archive(tmp_path / "archive")
    archive.write("fenmoor", [story(1, 30)])
    archive.write_events("fenmoor", [said, short])
    job, = jobs(tmp_path / "archive", site.parent)
    assert rerun_site(job).refused == (
        "fill-declared r7: no generator or riser to fill: r7",
        "fill-declared r1: a value is missing")
    assert main(["rerun", str(tmp_path / "archive"), "--sites", str(site.parent),
                 "--workers", "1"]) == 0
    assert "not done again: fill-declared r7: no generator or riser" in capfd.readouterr().err
