"""Recordings read as columns say the same as those read row by row, of right and wrong files."""

import gzip
import io
import math
from collections.abc import Callable, Sequence
from pathlib import Path

import pyarrow
import pyarrow.parquet
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.domain.readings import Quality, Reading
from collector.recorded import (
    RecordingError,
    read_columns,
    read_recordings,
    write_csv,
    write_parquet,
)
from collector.recorded import column_reader as under_test

T0 = 1_772_323_805_000  # 2026-03-01T00:10:05Z
Seen = list[tuple[int, str, float | None, bool]]


def by_rows(paths: Sequence[Path], *, unsorted: bool = False) -> Seen | list[str]:
    found: Seen = []
    try:
        for batch in read_recordings(paths, unsorted=unsorted):
            found += [(t, p, v if q is Quality.GOOD else None, q is Quality.GOOD)
                      for t, p, v, q, _ in batch]
    except RecordingError as error:
        return [str(m) for m in error.mistakes]
    return found


def by_columns(paths: Sequence[Path], *, unsorted: bool = False) -> Seen | list[str]:
    found: Seen = []
    try:
        for c in read_columns(paths, unsorted=unsorted):
            assert len(c.times) == len(c.points) == len(c.values) == len(c.good) == len(c)
            found += [
                (t, c.names[p], v if g else None, g) for t, p, v, g in zip(
                    c.times.tolist(), c.points.tolist(), c.values.tolist(), c.good.tolist(),
                    strict=True)]
            assert not any(g and math.isnan(v or 0.0) for _, _, v, g in found)
    except RecordingError as error:
        return [str(m) for m in error.mistakes]
    return found


def agree(*paths: Path, unsorted: bool = False) -> Seen | list[str]:
    said = by_columns(paths, unsorted=unsorted)
    assert said == by_rows(paths, unsorted=unsorted)
    assert said
    return said


@pytest.fixture(autouse=True, params=[64, 1 << 20])
def block(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks of a few rows, and one that holds it all."""
    monkeypatch.setattr(under_test, "_BLOCK", request.param)
    monkeypatch.setattr(under_test, "_PARQUET_ROWS", request.param)


def csv_of(folder: Path, text: str, name: str = "r.csv") -> Path:
    path = folder / name
    path.write_bytes(text.encode())
    return path


ISO = "2026-03-01T00:10:0"
PLAIN = "time,point,value\n"
FILES: dict[str, str] = {
    "plain": PLAIN + f"{ISO}5Z,r1.pressure,25.1\n{ISO}6Z,r1.pressure,\n{ISO}7Z,gen1.mode,off\n",
    "units": "time,point,value,unit\n" + f"{ISO}5Z,gen1.tank_pressure,5.5,bar\n"
             f"{ISO}6Z,r1.pipe_temperature,32,degF\n{ISO}7Z,r1.pipe_temperature,3,\n"
             f"{ISO}8Z,gen1.mode,air-fill,\n{ISO}9Z,gen1.tank_pressure,61.5,psi\n",
    "no end of line": PLAIN + f"{ISO}5Z,r1.pressure,25.1\n{ISO}6Z,r1.pressure,25.2",
    "windows": (PLAIN + f"{ISO}5Z,r1.pressure,25.1\n{ISO}6Z,r1.pressure,25.2\n")
    .replace("\n", "\r\n"),
    "old mac": (PLAIN + f"{ISO}5Z,r1.pressure,25.1\n{ISO}6Z,r1.pressure,25.2\n")
    .replace("\n", "\r"),
    "blank lines": PLAIN + f"\n{ISO}5Z,r1.pressure,25.1\n\n{ISO}6Z,r1.pressure,25.2\n\n",
    "marked": "\ufeff" + PLAIN + f"{ISO}5Z,r1.pressure,25.1\n",
    "seconds": PLAIN + "1772323805,r1.pressure,25\n1772323805.5,r1.pressure,25.1\n"
               "1772323806.0005,r1.pressure,25.2\n1772323806.0015,r1.pressure,25.2\n",
    "offsets": PLAIN + "2026-03-01T01:10:05+01:00,r1.pressure,25\n20260301T001006Z,r1.pressure,1\n"
               "1772323808,r1.pressure,25\n2026-03-01T00:10:09.123456Z,r1.pressure,2\n",
    "quality": "quality,value,point,time,why\n" + f"bad,25.1,r1.pressure,{ISO}5Z,over range\n"
               f'stale,,r1.pressure,{ISO}6Z,"no answer, twice"\n,25,r1.pressure,{ISO}7Z,\n'
               f'good,25,r1.pressure,{ISO}8Z,"a\nlong\nreason"\n,24,r1.pressure,{ISO}9Z,\n',
    "numbers": PLAIN + f"{ISO}5Z,gen1.mode,1\n{ISO}5Z,gen1.mode,nitrogen\n{ISO}5Z,gen1.mode,\n"
               f"{ISO}6Z,r1.pressure, 25.5\n{ISO}6Z,r1.pressure,nan\n{ISO}6Z,r1.pressure,1_0\n"
               f"{ISO}6Z,r1.pressure,1e-400\n{ISO}6Z,r1.pressure,0.1\n{ISO}6Z,r1.pressure,-0.0\n",
    "disorder": PLAIN + "".join(
        f"{1772323800 + n + (7 * n) % 50},r{n % 3}.pressure,{n}\n" for n in range(200)),
    "too late": PLAIN + "1772323865,r1.pressure,1\n1772323804,r1.pressure,2\n"
                "1772323805,r1.pressure,3\n",
    "bad rows": PLAIN + f"x,r1.pressure,1\n{ISO}5Z,r1.pressure,1\n{ISO}5,r1.pressure,1\n"
                f"{ISO}5Z,r1.presure,1\n{ISO}5Z,pressure,1\n{ISO}5Z,r1.pressure,one\n"
                f"{ISO}5Z,r1.pressure,1,2\n{ISO}5Z,r1.pressure\n{ISO}5Z,gen1.mode,on\n"
                f"{ISO}5Z,r1.pressure,inf\n{ISO}5Z,r1.pressure,1e999\n,r1.pressure,1\n"
                f"{ISO}5Z,,1\n{ISO}5Z,r1.pressure,nan(1)\n",
    "bad words": "time,point,value,unit,quality\n" + f"{ISO}5Z,r1.pressure,1,degC,\n"
                 f"{ISO}5Z,r1.pressure,1,psi,fine\n{ISO}5Z,r1.pressure,,psi,good\n"
                 f"{ISO}5Z,gen1.start_count,1,h,\n",
    "no such column": "time,point,vlaue\n1,r1.pressure,1\n",
    "a column missing": "time,point\n1,r1.pressure\n",
    "an open quote": PLAIN + f'{ISO}5Z,r1.pressure,"1\n{ISO}6Z,r1.pressure,1\n',
    "a stray quote": PLAIN + f'{ISO}5Z,"r1"x.pressure,1\n{ISO}6Z,r1.pressure,1\n',
    "thirty mistakes": PLAIN + "x,r1.pressure,1\n" * 30,
}


@pytest.mark.parametrize("name", FILES)
def test_every_kind_of_text(name: str, tmp_path: Path) -> None:
    path = csv_of(tmp_path, FILES[name])
    plain = agree(path)
    packed = tmp_path / "r.csv.gz"
    packed.write_bytes(gzip.compress(FILES[name].encode()))
    assert len(agree(packed)) == len(plain)
    agree(path, unsorted=True)


def test_text_that_is_not_utf_8(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    text = PLAIN + f"{ISO}5Z,r1.pressure,1\n{ISO}6Z,r\xfc.pressure,1\n"
    path.write_bytes(text.encode("latin1"))
    assert "UTF-8" in str(agree(path))
    path.write_bytes(b"\x1f\x8b nothing packed")
    agree(path)


def test_files_that_are_not_there(tmp_path: Path) -> None:
    assert "cannot be read" in str(agree(tmp_path / "no.csv"))
    assert "cannot be read" in str(agree(tmp_path / "no.parquet"))
    (tmp_path / "x.parquet").write_bytes(b"PAR1 and nothing else")
    assert "is not Parquet" in str(agree(tmp_path / "x.parquet"))
    (tmp_path / "x.csv.gz").write_bytes(gzip.compress(FILES["plain"].encode())[:-12])
    agree(tmp_path / "x.csv.gz")


def test_several_files_keep_their_order_at_one_time(tmp_path: Path) -> None:
    paths = [
        csv_of(tmp_path, PLAIN + "".join(
            f"{1772323800 + step * (n // 3)},r{k}.pressure,{n}\n" for n in range(200)), f"{k}.csv")
        for k, step in enumerate((1, 2, 1, 5))
    ]
    late = csv_of(tmp_path, PLAIN + "".join(
        f"{1772323900 + n},r9.pressure,{n}\n" for n in range(30)), "late.csv")
    agree(*paths)
    agree(*paths[::-1])
    agree(late, *paths, late)
    agree(*paths, late, unsorted=True)


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_parquet_of_every_unit_of_time(tmp_path: Path, unit: str) -> None:
    per = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9}[unit]
    table = pyarrow.table({
        "time": pyarrow.array([1_772_323_805 * per + n * per // 2 for n in range(0, 40, 2)],
                              pyarrow.timestamp(unit, "Europe/London")),
        "point": ["r1.pressure", "gen1.mode"] * 10,
        "value": [25.0, 1.0, None, 2.0, float("nan"), 0.0, *[24.5, 1.0] * 7],
        "quality": ["", None, "bad", "", "stale", *[""] * 15],
    })
    pyarrow.parquet.write_table(table, tmp_path / "r.parquet")
    agree(tmp_path / "r.parquet")


@pytest.mark.parametrize("times", [
    ["2026-03-01T00:10:05Z", "1772323806"], [1772323805, 1772323806], [1772323805.25, 1772323806.0],
])
def test_parquet_of_texts_and_numbers(tmp_path: Path, times: list[object]) -> None:
    for number, values in enumerate((["air-fill", "1.5"], ["1", "2"], [1, 2])):
        path = tmp_path / f"{number}.parquet"
        pyarrow.parquet.write_table(pyarrow.table({
            "value": values, "time": times, "point": ["gen1.mode", "r1.pressure"]}), path)
        agree(path)


def test_parquet_that_is_wrong(tmp_path: Path) -> None:
    for number, columns in enumerate((
        {"time": pyarrow.array([1, 2], pyarrow.timestamp("ms")), "point": ["r1.pressure"] * 2,
         "value": [1.0, 2.0]},
        {"time": [1.0, None], "point": ["r1.pressure"] * 2, "value": [1.0, 2.0]},
        {"time": [1.0, 2.0], "point": ["r1.pressure", None], "value": [1.0, 2.0]},
        {"time": [1.0, 2.0], "point": ["r1.pressure"] * 2, "value": [1.0, float("inf")]},
        {"time": [1.0, 2.0], "point": ["r1.pressure"] * 2, "value": [True, False]},
        {"time": [1.0, 2.0], "point": ["r1.pressure"] * 2},
        {"time": [1.0, 2.0], "point": [1, 2], "value": [1.0, 2.0]},
    )):
        path = tmp_path / f"{number}.parquet"
        pyarrow.parquet.write_table(pyarrow.table(columns), path)
        agree(path)


READINGS = st.lists(st.builds(
    Reading,
    point=st.sampled_from(["r1.pressure", "gen1.mode", "gen1.running_hours", "r1.low_air"]),
    asked=st.just(0), time=st.integers(T0, T0 + 300_000),
    value=st.none() | st.integers(0, 2).map(float) | st.floats(-1e6, 1e6),
    quality=st.sampled_from(Quality), why=st.sampled_from(["", "no answer", 'a "quote", a comma']),
), min_size=1, max_size=40)


@settings(max_examples=40, deadline=None)
@given(READINGS, st.sampled_from([64, 999, 1 << 20]))
def test_whatever_is_written(readings: list[Reading], size: int) -> None:
    under_test._BLOCK = size
    kept = [r for r in readings if r.value is not None or r.quality is not Quality.GOOD]
    kept.sort(key=lambda r: r.time // 40_000)
    _written_agree(kept, write_csv, "csv")
    _written_agree(kept, write_parquet, "parquet")


def _written_agree(readings: list[Reading], write: Callable[..., int], kind: str) -> None:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"r.{kind}"
        if kind == "csv":
            text = io.StringIO()
            write(readings, text)
            path.write_text(text.getvalue(), newline="")
        else:
            with path.open("wb") as out:
                write(readings, out)
        assert by_columns([path]) == by_rows([path])
