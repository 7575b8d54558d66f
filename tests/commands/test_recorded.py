"""Recordings: what is written reads back the same; bad rows are named; order within a minute."""

import gzip
import io
import time
from collections.abc import Sequence
from pathlib import Path

import pyarrow
import pyarrow.parquet
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from collector.domain.readings import QUANTITIES, Quality, Reading
from collector.recorded import (
    RecordingError,
    Row,
    read_columns,
    read_recordings,
    readings_of,
    write_csv,
    write_parquet,
)
from collector.recorded.rows import quantity_of

T0 = 1_772_323_805_000  # 2026-03-01T00:10:05Z


def rows(*paths: Path, unsorted: bool = False) -> list[Row]:
    return [row for batch in read_recordings(paths, unsorted=unsorted) for row in batch]


def csv_of(tmp_path: Path, text: str, name: str = "r.csv") -> Path:
    path = tmp_path / name
    path.write_text(text)
    return path


def mistakes(path: Path) -> Sequence[str]:
    with pytest.raises(RecordingError) as caught:
        rows(path)
    return [str(m) for m in caught.value.mistakes]


def test_the_contract_s_columns(tmp_path: Path) -> None:
    path = csv_of(tmp_path, "time,point,value,unit\n"
                  "2026-03-01T00:10:05Z,gen1.tank_pressure,5.5,bar\n"
                  "2026-03-01T01:10:06+01:00,gen1.mode,air-fill,\n"
                  "1772323807,r1.pipe_temperature,32,degF\n"
                  "1772323808.5,gen1.compressor_running,1,\n"
                  "1772323809,gen1.tank_pressure,,\n")
    found = rows(path)
    assert [r[0] - T0 for r in found] == [0, 1000, 2000, 3500, 4000]
    assert found[0][2] == pytest.approx(79.7708, rel=1e-5)  # NIST SP 811: 1 bar = 14.50377 psi
    assert found[1][2] == 2.0
    assert found[2][2] == pytest.approx(0.0, abs=1e-9)
    assert found[4][2:4] == (None, Quality.STALE)


def test_columns_in_another_order_with_quality(tmp_path: Path) -> None:
    path = csv_of(tmp_path, "quality,value,point,time,why\n"
                  "bad,250,gen1.tank_pressure,1772323805,out of range\n"
                  "bad,,gen1.tank_pressure,1772323806,invalid\n"
                  "stale,,gen1.tank_pressure,1772323807,no reply\n")
    assert [r[2:] for r in rows(path)] == [
        (250.0, Quality.BAD, "out of range"), (None, Quality.BAD, "invalid"),
        (None, Quality.STALE, "no reply")]


def test_rows_within_a_minute_are_put_in_order(tmp_path: Path) -> None:
    seconds = [30, 0, 59, 10, 100, 41, 160, 101]
    text = "".join(f"{1_772_323_805 + s},gen1.tank_pressure,{s}\n" for s in seconds)
    path = csv_of(tmp_path, "time,point,value\n" + text)
    assert [r[2] for r in rows(path)] == sorted(seconds)


def test_rows_of_one_time_keep_their_order(tmp_path: Path) -> None:
    text = "".join(f"1772323805,gen1.tank_pressure,{n}\n" for n in range(50))
    assert [r[2] for r in rows(csv_of(tmp_path, "time,point,value\n" + text))] == list(range(50))


def test_a_row_too_late_is_named_unless_sorted_first(tmp_path: Path) -> None:
    path = csv_of(tmp_path, "time,point,value\n1772323905,gen1.tank_pressure,1\n"
                  "1772323805,gen1.tank_pressure,2\n")
    (only,) = mistakes(path)
    assert only.startswith("r.csv line 3: 100 s before a row above it")
    assert "--unsorted" in only
    assert [r[2] for r in rows(path, unsorted=True)] == [2.0, 1.0]


def test_an_order_beyond_one_batch(tmp_path: Path) -> None:
    # 30 000 rows in steps of 10 ms, each block of 1000 backwards.
    order = [b * 1000 + 999 - n for b in range(30) for n in range(1000)]
    text = "".join(f"{1_772_323_805 + n / 100:.2f},gen1.tank_pressure,{n}\n" for n in order)
    assert [r[2] for r in rows(csv_of(tmp_path, "time,point,value\n" + text))] \
        == list(range(30_000))


def test_several_files_are_merged_by_time(tmp_path: Path) -> None:
    head = "time,point,value\n"
    a = csv_of(tmp_path, head + "1,gen1.tank_pressure,1\n300,gen1.tank_pressure,4\n", "a.csv")
    b = csv_of(tmp_path, head + "2,r1.pressure,2\n299,r1.pressure,3\n", "b.csv")
    for paths in ((a, b), (b, a)):
        assert [r[2] for r in rows(*paths)] == [1, 2, 3, 4]


def test_every_bad_row_is_named_with_its_line(tmp_path: Path) -> None:
    path = csv_of(tmp_path, "time,point,value,unit,quality\n"
                  "2026-03-01T00:10:05,gen1.tank_pressure,1,,\n"
                  "yesterday,gen1.tank_pressure,1,,\n"
                  "1,gen1.tank_presure,1,,\n"
                  "1,tank_pressure,1,,\n"
                  "1,gen1.tank_pressure,one,,\n"
                  "1,gen1.tank_pressure,inf,,\n"
                  "1,gen1.tank_pressure,1,gal,\n"
                  "1,gen1.mode,air,,\n"
                  "1,gen1.tank_pressure,1,,fair\n"
                  "1,gen1.tank_pressure,,,good\n"
                  "\n"
                  "1,gen1.tank_pressure\n"
                  "1,gen1.trouble,1,psi,\n")
    found = mistakes(path)
    lines = [int(m.split(":")[0].removeprefix("r.csv line ")) for m in found]
    assert lines == [2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 13, 14]
    text = "\n".join(found)
    for part in ("has no offset", "not a time", 'did you mean "tank_pressure"', "not a point",
                 'not a number: "one"', "not a finite number", "does not fit", "unknown mode",
                 "good, bad or stale", "good, but there is no value", "2 fields where"):
        assert part in text


def test_no_more_than_twenty_are_named(tmp_path: Path) -> None:
    path = csv_of(tmp_path, "time,point,value\n" + "x,gen1.mode,off\n" * 100)
    assert len(mistakes(path)) == 20


def test_nothing_is_given_after_a_bad_row(tmp_path: Path) -> None:
    good = "".join(f"{n},gen1.tank_pressure,{n}\n" for n in range(20_000))
    path = csv_of(tmp_path, "time,point,value\n" + good + "x,gen1.mode,off\n" + good[-400:])
    given_rows: list[Row] = []

    def take() -> None:
        for batch in read_recordings([path]):
            given_rows.extend(batch)
    with pytest.raises(RecordingError):
        take()
    assert 8000 < len(given_rows) <= 20_000
    assert [r[2] for r in given_rows] == list(range(len(given_rows)))


@pytest.mark.parametrize(("text", "part"), [
    ("", 'no column "time"'), ("time,point\n", 'no column "value"'),
    ("time,point,value,untis\n", 'did you mean "unit"'),
    ("time,point,value,value\n", "twice"),
])
def test_a_wrong_header(tmp_path: Path, text: str, part: str) -> None:
    assert part in "\n".join(mistakes(csv_of(tmp_path, text)))


def test_files_that_are_something_else(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(b"time,point,value\n\xff\xfe,x,1\n")
    (tmp_path / "b.csv.gz").write_bytes(b"not gzip at all")
    (tmp_path / "c.parquet").write_bytes(b"PAR0")
    cut = gzip.compress(b"time,point,value\n" + b"1,gen1.mode,off\n" * 1000)[:-20]
    (tmp_path / "d.csv.gz").write_bytes(cut)
    for name, part in (("a.csv", "UTF-8"), ("b.csv.gz", "cannot be read"),
                       ("c.parquet", "Parquet"), ("d.csv.gz", "cannot be read"),
                       ("e.csv", "No such file")):
        assert part in "\n".join(mistakes(tmp_path / name))


def test_gzip(tmp_path: Path) -> None:
    path = tmp_path / "r.csv.gz"
    path.write_bytes(gzip.compress(b"time,point,value\n1,gen1.mode,off\n"))
    assert rows(path) == [(1000, "gen1.mode", 0.0, Quality.GOOD, "")]


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_parquet_of_somebody_else(tmp_path: Path, unit: str) -> None:
    per = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9}[unit]
    table = pyarrow.table({
        "time": pyarrow.array([1_772_323_805 * per], pyarrow.timestamp(unit, tz="Europe/London")),
        "point": ["gen1.tank_pressure"], "value": [1.0], "unit": ["bar"],
    })
    pyarrow.parquet.write_table(table, tmp_path / "r.parquet")
    ((when, _, value, quality, _),) = rows(tmp_path / "r.parquet")
    assert (when, quality) == (T0, Quality.GOOD)
    assert value == pytest.approx(14.50377, rel=1e-6)


def test_parquet_without_a_time_zone_is_refused(tmp_path: Path) -> None:
    table = pyarrow.table({"time": pyarrow.array([1], pyarrow.timestamp("ms")),
                           "point": ["gen1.mode"], "value": ["off"]})
    pyarrow.parquet.write_table(table, tmp_path / "r.parquet")
    assert "no time zone" in mistakes(tmp_path / "r.parquet")[0]


def test_a_quantity_s_name_means_one_unit_whatever_it_is_read_of() -> None:
    units: dict[str, set[str]] = {}
    for group in QUANTITIES.values():
        for name, quantity in group.items():
            units.setdefault(name, set()).add(quantity.unit)
    assert all(len(found) == 1 for found in units.values())


POINTS = [f"{kind}1.{name}" for kind, group in QUANTITIES.items() for name in group] + [
    "generator1.trouble_no", "riser1.low_air_nc"]


@st.composite
def a_reading(draw: st.DrawFn) -> Reading:
    point = draw(st.sampled_from(POINTS))
    quality = draw(st.sampled_from(Quality))
    quantity = quantity_of(point)
    words = [0.0, 1.0] if quantity.is_contact else [0.0, 1.0, 2.0]
    any_number = st.floats(allow_nan=False, allow_infinity=False) | st.sampled_from([7.0, 0.5])
    good = st.floats(*quantity.limits) if quantity.unit not in ("contact", "mode") \
        else st.sampled_from(words)
    value = draw(good if quality is Quality.GOOD else st.none() | any_number)
    when = T0 + draw(st.integers(0, 10**9))
    why = "" if quality is Quality.GOOD else draw(st.text(
        st.characters(codec="utf-8", exclude_characters="\0"), max_size=20))
    return Reading(point=point, asked=when, time=when, value=value, quality=quality, why=why)


@settings(max_examples=150, deadline=None)
@given(st.lists(a_reading(), max_size=30))
@example([Reading(point="gen1.mode", asked=T0, time=T0, value=None, quality=Quality.BAD,
                  why='\r "torn\n')])
def test_what_is_written_reads_back_the_same(
    tmp_path_factory: pytest.TempPathFactory, readings: list[Reading],
) -> None:
    readings.sort(key=lambda r: r.time)
    folder = tmp_path_factory.mktemp("r")
    text = io.StringIO(newline="")
    assert write_csv(readings, text) == len(readings)
    (folder / "r.csv").write_text(text.getvalue(), encoding="utf-8", newline="")
    with (folder / "r.parquet").open("wb") as file:
        assert write_parquet(readings, file) == len(readings)
    for name in ("r.csv", "r.parquet"):
        assert list(readings_of(rows(folder / name))) == readings


@pytest.mark.parametrize(("point", "value"), [
    ("r1.pressure", -145.0), ("r1.pressure", 4000.0), ("gen1.compressor_running", 2.0),
    ("gen1.compressor_running", 0.5), ("gen1.mode", 7.0), ("gen1.running_hours", -1.0),
    ("r1-vent.oxygen", 400.0), ("r1.valve_room_temperature", -273.0)])
def test_what_the_quantity_cannot_be_is_bad_by_rows_and_by_columns(
    tmp_path: Path, point: str, value: float,
) -> None:
    (tmp_path / "r.csv").write_text(f"time,point,value\n{T0 / 1000},{point},{value}\n")
    [reading] = list(readings_of(rows(tmp_path / "r.csv")))
    assert (reading.quality, reading.usable) == (Quality.BAD, None)
    assert "impossible" in reading.why or "neither" in reading.why or "none of" in reading.why
    [columns] = list(read_columns([tmp_path / "r.csv"]))
    assert columns.good.tolist() == [False]


def test_words_and_contacts_are_written_as_people_read_them() -> None:
    out = io.StringIO()
    write_csv([
        Reading(point="gen1.mode", asked=T0, time=T0, value=2.0),
        Reading(point="gen1.trouble", asked=T0, time=T0, value=1.0),
        Reading(point="gen1.tank_pressure", asked=T0, time=T0, value=250.5, quality=Quality.BAD,
                why="out of range"),
        Reading(point="gen1.dew_point", asked=T0, time=T0, value=None, quality=Quality.STALE),
    ], out)
    assert out.getvalue().splitlines() == [
        "time,point,value,unit,quality,why",
        "2026-03-01T00:10:05Z,gen1.mode,air-fill,,,",
        "2026-03-01T00:10:05Z,gen1.trouble,1,,,",
        "2026-03-01T00:10:05Z,gen1.tank_pressure,250.5,psi,bad,out of range",
        "2026-03-01T00:10:05Z,gen1.dew_point,,degC,stale,",
    ]


@pytest.mark.slow
def test_a_big_recording_is_read_in_a_bearable_time(tmp_path: Path) -> None:
    text = "".join(f"{T0 // 1000 + n},gen1.tank_pressure,{60 + n % 20}.5\n"
                   for n in range(100_000))
    path = csv_of(tmp_path, "time,point,value\n" + text)
    began = time.process_time()
    assert len(rows(path)) == 100_000
    # This is the way without numpy and pyarrow; with them columns are many times as fast.
    assert time.process_time() - began < 4.0


START = 1_772_323_805


@pytest.mark.parametrize("per_second", [1, 1000, 10**6, 10**9])
def test_the_unit_of_numbers_is_told_by_their_size(tmp_path: Path, per_second: int) -> None:
    text = "".join(f"{(START + n) * per_second},gen1.tank_pressure,{n}\n" for n in range(5))
    assert [r[0] for r in rows(csv_of(tmp_path, "time,point,value\n" + text))] \
        == [(START + n) * 1000 for n in range(5)]


@pytest.mark.parametrize(("time", "problem"), [
    ("46082.0070", "day number of a spreadsheet"), ("1e21", "not a time"), ("nan", "not a time"),
    ("", "not a time"), ("1_772_323_805", "not a time"), ("0000-01-01T00:00:00Z", "not a time"),
])
def test_what_is_no_time_is_named_with_its_line(tmp_path: Path, time: str, problem: str) -> None:
    (found,) = mistakes(csv_of(tmp_path, f"time,point,value\n{time},gen1.mode,off\n"))
    assert found.startswith("r.csv line 2: ")
    assert problem in found


@pytest.mark.parametrize("wild", ["1803859805", "2027-03-01T00:10:05Z", "9999-12-31T23:59:59Z"])
def test_a_gap_beyond_the_plausible_is_named(tmp_path: Path, wild: str) -> None:
    path = csv_of(tmp_path, f"time,point,value\n{START},gen1.mode,off\n{wild},gen1.mode,off\n"
                            f"{START + 5},gen1.mode,off\n")
    (found,) = mistakes(path)
    assert found.startswith("r.csv line 3: ")
    assert "--to" in found
    read = read_recordings([path], span=(0, (START + 60) * 1000))
    with pytest.raises(RecordingError, match="line 4"):
        list(read)  # what follows the wild time is out of order, and said to be


def test_digits_in_groups_are_no_number(tmp_path: Path) -> None:
    (found,) = mistakes(csv_of(tmp_path, f"time,point,value\n{START},gen1.tank_pressure,1_0.0\n"))
    assert "not a number" in found
