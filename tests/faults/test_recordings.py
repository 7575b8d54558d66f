"""Recordings with what loggers and spreadsheets leave in them: named, and never guessed at."""

from __future__ import annotations

import decimal
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.commands.recordings import replay_arguments, run_replay
from collector.domain.readings import Quality, Reading
from collector.recorded import (
    RecordingError,
    SiteFilter,
    read_columns,
    read_recordings,
    readings_of,
    site_readings,
    write_csv,
    write_parquet,
)
from tests.config.conftest import Folder, folder
from tests.rules.support import plant

__all__ = ["folder"]

HEAD = "time,point,value\n"
POINT = "gen1.tank_pressure"


def row(second: int, value: str, point: str = POINT) -> str:
    return f"2026-03-01T00:10:{second:02d}Z,{point},{value}\n"


def by_rows(path: Path) -> list[tuple[int, str, float | None]]:
    return [r[:3] for batch in read_recordings([path]) for r in batch]


def by_columns(path: Path) -> list[tuple[int, str, float | None]]:
    return [(t, c.names[p], None if v != v else v) for c in read_columns([path])
            for t, p, v in zip(c.times.tolist(), c.points.tolist(), c.values.tolist(),
                               strict=True)]


WAYS = [by_rows, by_columns]


@pytest.fixture(params=["columns", "rows"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    if request.param == "rows":
        monkeypatch.setattr("collector.recorded.columns_available", lambda: False)
    return str(request.param)


def second_values(path: Path) -> SiteFilter:
    site = SiteFilter(plant())
    for _ in site_readings([path], site):
        pass
    return site


@pytest.mark.parametrize(("rows", "count"), [
    (row(5, "70") + row(5, "70"), 0),
    (row(5, "70") + row(5, "71"), 1),
    (row(5, "70") + row(5, "71") + row(5, "72") + row(6, "70"), 2),
    (row(5, "70") + row(5, "71", "r1.pressure"), 0),
    (row(5, "70") + row(5, ""), 1),
    (row(5, "") + row(5, ""), 0),
    (row(5, "70") + row(6, "71") + row(7, "70"), 0),
    (row(5, "70") + row(6, "1") + row(5, "71"), 1),
])
def test_second_values_of_one_instant_are_counted(
    tmp_path: Path, way: str, rows: str, count: int,
) -> None:
    path = tmp_path / "r.csv"
    path.write_text(HEAD + rows)
    site = second_values(path)
    assert site.second_values.count == count
    assert bool(site.second_values.text()) == bool(count)


def test_second_values_are_counted_across_batches(tmp_path: Path, way: str) -> None:
    start = 1_772_323_200
    path = tmp_path / "r.csv"
    path.write_text(HEAD + "".join(
        f"{start + n // 3},{POINT},{70 + n % 3}\n" for n in range(3 * 70_000)))
    site = second_values(path)
    assert site.second_values.count == 2 * 70_000
    assert "gen1.tank_pressure at 2026-03-01T00:00:00Z" in site.second_values.text()


def replayed(folder: Folder, path: Path) -> int:  # noqa: F811
    import argparse
    parser = argparse.ArgumentParser()
    replay_arguments(parser)
    folder.load()
    return run_replay(parser.parse_args([str(folder.path / "site.toml"), str(path)]))


def test_replay_says_so(folder: Folder, capsys: pytest.CaptureFixture[str]) -> None:  # noqa: F811
    path = folder.path / "r.csv"
    path.write_text(HEAD + row(5, "70") + row(5, "71"))
    assert replayed(folder, path) == 0
    assert "1 row(s) have another value" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["r.csv", "r.parquet"])
def test_a_file_with_nothing_but_a_header_is_no_success(
    folder: Folder, name: str, capsys: pytest.CaptureFixture[str],  # noqa: F811
) -> None:
    path = folder.path / name
    if name == "r.csv":
        path.write_text(HEAD)
    else:
        with path.open("wb") as out:
            write_parquet([], out)
    assert replayed(folder, path) == 2
    assert "no reading" in capsys.readouterr().err


def test_neither_is_it_for_an_archive(folder: Folder) -> None:  # noqa: F811
    (folder.path / "r.csv").write_text(HEAD)
    folder.load()
    done = subprocess.run(
        [sys.executable, "-m", "collector.cli", "archive", str(folder.path / "archive"),
         str(folder.path / "site.toml"), str(folder.path / "r.csv")],
        capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])})
    assert done.returncode == 2
    assert "no reading" in done.stderr


@pytest.mark.parametrize("read", WAYS)
@pytest.mark.parametrize("value", ["1_0", "1_0.0", "1e1_0", "\u0661\u0662", "0x1p3", "1,5", "--1",
                                   "1 0", "\u2212 5", "½", "1.0.0", "=1+1"])
def test_what_is_no_plain_number_is_refused(
    tmp_path: Path, read: Callable[[Path], object], value: str,
) -> None:
    path = tmp_path / "r.csv"
    path.write_text(HEAD + row(5, f'"{value}"'))
    with pytest.raises(RecordingError):
        read(path)


@pytest.mark.parametrize("read", WAYS)
@pytest.mark.parametrize(("column", "given", "kind", "expected"), [
    ("value", decimal.Decimal("71.25"), "decimal128(10, 2)", 71.25),
    ("value", decimal.Decimal("71"), "decimal128(5, 0)", 71.0),
    ("value", True, "bool", 1.0), ("value", 7, "int8", 7.0), ("value", 7.5, "float32", 7.5),
    ("value", "7.5", "large_string", 7.5),
    ("time", decimal.Decimal("1772323805.250"), "decimal128(20, 3)", 1_772_323_805_250),
    ("time", 1_772_323_805, "uint64", 1_772_323_805_000),
])
def test_the_types_that_other_programs_write_to_parquet(
    tmp_path: Path, read: Callable[[Path], list[tuple[int, str, float]]], column: str,
    given: object, kind: str, expected: float,
) -> None:
    import pyarrow
    import pyarrow.parquet

    name, _, tail = kind.partition("(")
    arguments = [int(n) for n in tail.rstrip(")").split(",")] if tail else []
    made = {"bool": "bool_"}.get(name, name)
    columns = {"time": [1_772_323_805], "point": ["gen1.compressor_running"
                                                  if kind == "bool" else POINT], "value": [1.0]}
    columns[column] = pyarrow.array([given], getattr(pyarrow, made)(*arguments))
    path = tmp_path / "r.parquet"
    pyarrow.parquet.write_table(pyarrow.table(columns), path)
    (found,) = read(path)
    assert (found[2] if column == "value" else found[0]) == expected


FORMULAS = ["=HYPERLINK(\"http://x\")", "+1+1", "-2+3", "@SUM(A1)", "\t=1", "\r=1",
            "=cmd|' /C x'!A"]


@pytest.mark.parametrize("why", FORMULAS)
def test_a_formula_in_a_reason_is_none_in_an_exported_csv(tmp_path: Path, why: str) -> None:
    path = tmp_path / "r.csv"
    with path.open("w", newline="") as out:
        write_csv([Reading(point=POINT, asked=0, time=0, value=None, why=why,
                           quality=Quality.STALE)], out)
    import csv
    with path.open(newline="") as file:
        fields = list(csv.reader(file))[1]
    assert all(not f or f[0] not in "=+-@\t\r" for f in fields), fields
    (batch,) = list(read_recordings([path]))
    (again,) = readings_of(batch)
    assert again.why.lstrip("'") == why


def test_an_export_goes_in_again_byte_for_byte(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    readings = [Reading(point=POINT, asked=0, time=1_772_323_805_000 + n, value=-0.1 * n)
                for n in range(50)]
    with path.open("w", newline="") as out:
        write_csv(readings, out)
    assert [v for _, _, v in by_rows(path)] == [r.value for r in readings]
    assert by_columns(path) == by_rows(path)
