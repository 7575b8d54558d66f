"""The archive: parted by site and day, idempotent, open to another engine."""

from __future__ import annotations

import json
from pathlib import Path

import numpy
import pyarrow.dataset
import pytest

from collector.cli import main
from collector.domain.errors import QuietpipeError, UsageError
from collector.domain.events import SystemEvent
from collector.domain.readings import Columns
from collector.fleet.archive import Archive
from tests.fleet.archives import DAY, POINTS, T0, site_file, story


def files(folder: Path) -> dict[str, tuple[bytes, int]]:
    return {str(p.relative_to(folder)): (p.read_bytes(), p.stat().st_mtime_ns)
            for p in sorted(folder.rglob("*")) if p.is_file()}


def rows(archive: Archive, site: str, start: int | None = None,
         end: int | None = None) -> list[tuple[int, str, float | None]]:
    return [
        (time, columns.names[point], value if good else None)
        for columns in archive.readings(site, start, end)
        for time, point, value, good in zip(
            columns.times.tolist(), columns.points.tolist(), columns.values.tolist(),
            columns.good.tolist(), strict=True)
    ]


def rows_of(columns: Columns) -> list[tuple[int, str, float | None]]:
    return [(t, columns.names[p], v if g else None) for t, p, v, g in zip(
        columns.times.tolist(), columns.points.tolist(), columns.values.tolist(),
        columns.good.tolist(), strict=True)]


def test_what_was_written_is_read_in_its_order(tmp_path: Path) -> None:
    told, archive = story(2, 30), Archive(tmp_path)
    kept = archive.write("fenmoor", [told])
    assert (kept.days, kept.given, kept.new) == (2, len(told), len(told))
    assert rows(archive, "fenmoor") == rows_of(told)
    assert sorted(files(tmp_path)) == [
        f"site=fenmoor/day=2026-03-0{d}/readings.parquet" for d in (1, 2)]


def test_writing_the_same_again_changes_nothing(tmp_path: Path) -> None:
    told, archive = story(2, 30), Archive(tmp_path)
    archive.write("fenmoor", [told])
    before = files(tmp_path)
    assert archive.write("fenmoor", [told]).new == 0
    assert files(tmp_path) == before


def test_pieces_that_overlap_are_joined(tmp_path: Path) -> None:
    told = story(3, 30)
    whole, parts = Archive(tmp_path / "whole"), Archive(tmp_path / "parts")
    whole.write("fenmoor", [told])
    third = len(told) // 3
    for first, last in ((third, len(told)), (0, third + 500), (third - 400, 2 * third)):
        parts.write("fenmoor", [told.take(slice(first, last))])
    assert rows(parts, "fenmoor") == rows(whole, "fenmoor")


def test_the_first_of_two_readings_of_one_time_stays(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    for value in (25.0, 26.0):
        archive.write("fenmoor", [Columns(
            names=["r1.pressure"], times=numpy.array([T0]), points=numpy.zeros(1, numpy.int32),
            values=numpy.array([value]), good=numpy.ones(1, bool))])
    assert rows(archive, "fenmoor") == [(T0, "r1.pressure", 25.0)]


def test_only_a_span(tmp_path: Path) -> None:
    told, archive = story(3, 30), Archive(tmp_path)
    archive.write("fenmoor", [told])
    start, end = T0 + DAY // 2, T0 + DAY + DAY // 3
    assert rows(archive, "fenmoor", start, end) == [
        r for r in rows_of(told) if start <= r[0] < end]


def test_another_engine_reads_it_as_one_table(tmp_path: Path) -> None:
    for site in ("fenmoor", "larkhill"):
        Archive(tmp_path).write(site, [story(2, 30)])
    table = pyarrow.dataset.dataset(tmp_path, partitioning="hive", format="parquet").to_table()
    assert table.num_rows == 2 * len(story(2, 30))
    assert set(table.column_names) == {"time", "point", "value", "site", "day"}
    assert set(table.column("site").to_pylist()) == {"fenmoor", "larkhill"}


def test_events_are_kept_once_and_in_time(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    told = [SystemEvent(time=T0 + n * DAY // 4, site="fenmoor", fact="collector-started",
                        text="It.")
            for n in range(8)]
    assert archive.write_events("fenmoor", told[4:]).new == 4
    assert archive.write_events("fenmoor", told).new == 4
    assert list(archive.events("fenmoor", None, None)) == told
    assert list(archive.events("fenmoor", told[2].time, told[6].time)) == told[2:6]
    with pytest.raises(QuietpipeError, match="larkhill"):
        archive.write_events("larkhill", told)


@pytest.mark.parametrize("site", ["../fenmoor", "", "a/b", ".."])
def test_no_site_leaves_the_archive(tmp_path: Path, site: str) -> None:
    with pytest.raises(UsageError):
        Archive(tmp_path).write(site, [story(1, 30)])


def test_no_archive(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="not there"):
        Archive(tmp_path / "nowhere").sites()


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site, recording = site_file(tmp_path, "fenmoor"), tmp_path / "r.csv"
    lines = [f"{(t - (t % 1000)) // 1000},{n},{'' if v is None else v}"
             for t, n, v in rows_of(story(1, 30))]
    recording.write_text("time,point,value\n" + "\n".join(lines) + "\n")
    for new in (len(lines), 0):
        assert main(["archive", str(tmp_path / "a"), str(site), str(recording)]) == 0
        said = json.loads(capsys.readouterr().out)
        assert (said["site"], said["days"], said["readings"], said["new_readings"]) == (
            "fenmoor", 1, len(lines), new)
    assert rows(Archive(tmp_path / "a"), "fenmoor") == rows_of(story(1, 30))
    assert {r[1] for r in rows(Archive(tmp_path / "a"), "fenmoor")} == set(POINTS)


def test_the_command_names_a_bad_row(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site, recording = site_file(tmp_path, "fenmoor"), tmp_path / "r.csv"
    recording.write_text("time,point,value\nyesterday,r1.pressure,25\n")
    assert main(["archive", str(tmp_path / "a"), str(site), str(recording)]) == 2
    assert "r.csv line 2" in capsys.readouterr().err
