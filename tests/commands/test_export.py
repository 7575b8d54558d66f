"""``quietpipe export``: what the journal holds, while it may be written."""

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.cli import main
from collector.domain.events import SystemEvent, event_to_json
from collector.domain.readings import Quality, Reading
from collector.journal import Journal
from collector.recorded import read_recordings, readings_of

T0 = 1_772_323_805_000
READINGS = [
    Reading(point=point, asked=T0 + n * 1000, time=T0 + n * 1000, value=float(n % 3))
    for n in range(100) for point in ("gen1.mode", "gen1.tank_pressure", "r1.pressure")
] + [Reading(point="r1.pressure", asked=T0 + 100_000, time=T0 + 100_000, value=900.0,
             quality=Quality.BAD, why="out of range")]
EVENT = SystemEvent(time=T0, site="fenmoor", fact="collector-started", text="Started.")


@pytest.fixture
def journal(site: Path) -> Iterator[Journal]:
    folder = site.parent / "var/fenmoor"
    folder.mkdir(parents=True)
    journal = Journal.open(folder / "journal.sqlite")
    journal.commit(READINGS, [EVENT])
    yield journal
    journal.close()


def exported(text: str, folder: Path, name: str = "out.csv") -> list[Reading]:
    path = folder / name
    path.write_text(text)
    return [r for batch in read_recordings([path]) for r in readings_of(batch)]


def test_everything_while_the_journal_is_open(
    site: Path, journal: Journal, capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["export", str(site)]) == 0
    assert exported(capsys.readouterr().out, site.parent) == READINGS


def test_a_span_and_points_by_pattern(
    site: Path, journal: Journal, capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["export", str(site), "--from", "2026-03-01T00:10:15Z", "--to",
                 "2026-03-01T00:10:25Z", "--points", "gen1.*", "no.such*"]) == 0
    said = capsys.readouterr()
    found = exported(said.out, site.parent)
    assert found == [r for r in READINGS if T0 + 10_000 <= r.time < T0 + 20_000
                     and r.point.startswith("gen1.")]
    assert "no.such*" in said.err


def test_points_that_fit_nothing_give_nothing(
    site: Path, journal: Journal, capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["export", str(site), "--points", "nothing"]) == 0
    assert capsys.readouterr().out == "time,point,value,unit,quality,why\n"


def test_events(site: Path, journal: Journal, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["export", str(site), "--events"]) == 0
    out = capsys.readouterr().out
    assert out == event_to_json(EVENT) + "\n"
    assert json.loads(out)["kind"] == "collector-started"


def _command(site: Path, *more: str) -> list[str]:
    return [sys.executable, "-m", "collector.cli", "export", str(site), *more]


def test_parquet_and_csv_hold_the_same(site: Path, journal: Journal) -> None:
    done = subprocess.run(_command(site, "--format", "parquet"), capture_output=True, check=True)
    path = site.parent / "out.parquet"
    path.write_bytes(done.stdout)
    assert [r for b in read_recordings([path]) for r in readings_of(b)] == READINGS


def test_a_reader_that_goes_away_is_not_worth_a_word(site: Path, journal: Journal) -> None:
    journal.commit([
        Reading(point="gen1.dew_point", asked=T0 + n, time=T0 + n, value=n / 7)
        for n in range(20_000)], [])
    with subprocess.Popen(_command(site), stdout=subprocess.PIPE, stderr=subprocess.PIPE) as it:
        assert it.stdout is not None
        assert it.stderr is not None
        it.stdout.readline()
        it.stdout.close()
        said = it.stderr.read()
    assert said == b""
    assert it.returncode == 141


def test_no_journal_yet(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["export", str(site)]) == 1
    assert "no journal yet" in capsys.readouterr().err
    assert not (site.parent / "var").exists()
