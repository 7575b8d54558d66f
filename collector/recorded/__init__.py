"""Recorded readings: what ``export`` writes and ``replay`` reads."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import IO, Any, TextIO

from collector.clock import format_instant
from collector.domain.plant import Plant
from collector.domain.readings import MODES, Columns, Quality, Quantity, Reading
from collector.recorded.column_reader import columns_available, read_columns
from collector.recorded.formulas import no_formula
from collector.recorded.repeats import SecondValues
from collector.recorded.row_reader import Progress, RecordingError, load_arrow, read_recordings
from collector.recorded.rows import COLUMNS, Row, quantity_of

__all__ = [
    "RecordingError", "Row", "SiteFilter", "columns_available", "columns_within", "read_columns",
    "read_recordings", "readings_of", "rows_within", "site_readings", "write_csv", "write_parquet",
]

_BATCH = 8192
_ROW_GROUP = 131_072


class _Units:
    """The quantities met so far."""

    def __init__(self) -> None:
        self._known: dict[str, Quantity] = {}

    def of(self, point: str) -> Quantity:
        if point not in self._known:
            self._known[point] = quantity_of(point)
        return self._known[point]


def _unit(quantity: Quantity) -> str:
    return quantity.unit if quantity.unit in ("psi", "%", "degC", "h") else ""


def _quality(reading: Reading) -> str:
    return "" if reading.quality is Quality.GOOD else reading.quality.value


def write_csv(readings: Iterable[Reading], out: TextIO) -> int:
    """Write the header and every reading; return how many. Raises ``OSError`` of ``out``."""
    plain = csv.writer(out, lineterminator="\n")
    # The module leaves a lone carriage return bare, and then reads it as the end of a row.
    quoted = csv.writer(out, lineterminator="\n", quoting=csv.QUOTE_ALL)
    plain.writerow(COLUMNS)
    units, count = _Units(), 0
    for batch in _batches(readings):
        writer = quoted if any("\r" in r.why for r in batch) else plain
        writer.writerows(
            (format_instant(r.time), r.point, value_text(r.value, units.of(r.point)),
             _unit(units.of(r.point)), _quality(r), no_formula(r.why)) for r in batch
        )
        count += len(batch)
    return count


def _batches(readings: Iterable[Reading], size: int = _BATCH) -> Iterator[list[Reading]]:
    remaining = iter(readings)
    while batch := list(islice(remaining, size)):
        yield batch


def write_parquet(readings: Iterable[Reading], out: IO[bytes]) -> int:
    """Write every reading; return how many. Times are timestamps in ms, UTC.

    Raises ``QuietpipeError`` where pyarrow is not installed, ``OSError`` of ``out``.
    """
    pyarrow, parquet = load_arrow()
    text = pyarrow.string()
    schema = pyarrow.schema([
        ("time", pyarrow.timestamp("ms", tz="UTC")), ("point", text),
        ("value", pyarrow.float64()), ("unit", text), ("quality", text), ("why", text),
    ])
    units, count = _Units(), 0
    with parquet.ParquetWriter(out, schema, compression="zstd") as writer:
        for batch in _batches(readings, _ROW_GROUP):
            writer.write_table(pyarrow.table(_columns(batch, units), schema=schema))
            count += len(batch)
    return count


def _columns(batch: list[Reading], units: _Units) -> dict[str, list[Any]]:
    return {
        "time": [r.time for r in batch], "point": [r.point for r in batch],
        "value": [r.value for r in batch], "unit": [_unit(units.of(r.point)) for r in batch],
        "quality": [_quality(r) for r in batch], "why": [r.why for r in batch],
    }


class SiteFilter:
    """Leaves out points of assets that the site file does not have, and lists them."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self._ours: dict[str, bool] = {}
        self.second_values = SecondValues()

    def rows(self, batches: Iterable[Sequence[Row]]) -> Iterator[Sequence[Row]]:
        """Yield the rows of the site's assets."""
        for rows in batches:
            ours = {point: self._is_ours(point) for point in {row[1] for row in rows}}
            yield rows if all(ours.values()) else [row for row in rows if ours[row[1]]]

    def columns(self, batches: Iterable[Columns]) -> Iterator[Columns]:
        """Yield the columns of the site's assets. Needs numpy."""
        import numpy

        for columns in batches:
            codes = numpy.flatnonzero(numpy.bincount(columns.points))
            mine = numpy.zeros(len(columns.names), bool)
            mine[[code for code in codes.tolist() if self._is_ours(columns.names[code])]] = True
            yield columns if mine[codes].all() else columns.take(mine[columns.points])

    def _is_ours(self, point: str) -> bool:
        if point not in self._ours:
            self._ours[point] = self._plant.thing(point.rpartition(".")[0]) is not None
        return self._ours[point]

    def left_out(self) -> list[str]:
        """Return the points that were left out so far, sorted."""
        return sorted(point for point, ours in self._ours.items() if not ours)


def site_readings(
    paths: Sequence[Path], site: SiteFilter, *, unsorted: bool = False,
    progress: Progress | None = None, start: int | None = None, end: int | None = None,
) -> Iterator[Columns | Sequence[Reading]]:
    """Yield the recorded readings of a site in the order of their time, in batches.

    Batches are columns where numpy and pyarrow are installed, which is several times as fast, and
    lists of readings elsewhere. Raises :class:`RecordingError`.
    """
    if columns_available():
        columns = read_columns(paths, unsorted=unsorted, progress=progress,
                               span=_span(start, end))
        yield from site.second_values.columns(
            filter(len, site.columns(columns_within(columns, start, end))))
    else:
        rows = read_recordings(paths, unsorted=unsorted, progress=progress,
                               span=_span(start, end))
        yield from map(readings_of, site.second_values.rows(
            filter(len, site.rows(rows_within(rows, start, end)))))


def rows_within(
    batches: Iterable[Sequence[Row]], start: int | None, end: int | None,
) -> Iterator[Sequence[Row]]:
    """Yield the rows from ``start`` to ``end`` (ms, exclusive) of sorted batches."""
    low, high = _span(start, end)
    for rows in batches:
        if rows and rows[0][0] >= high:
            return
        if rows and low <= rows[0][0] and rows[-1][0] < high:
            yield rows
        else:
            yield [row for row in rows if low <= row[0] < high]


def columns_within(
    batches: Iterable[Columns], start: int | None, end: int | None,
) -> Iterator[Columns]:
    """Yield the columns from ``start`` to ``end`` (ms, exclusive) of sorted ones."""
    low, high = _span(start, end)
    for columns in batches:
        first, last = (int(n) for n in columns.times.searchsorted([low, high]))
        if last > first:
            yield columns.take(slice(first, last))
        elif len(columns) and not last:
            return


def _span(start: int | None, end: int | None) -> tuple[int, int]:
    return -(2**63) if start is None else start, 2**63 - 1 if end is None else end


def value_text(value: float | None, quantity: Quantity) -> str:
    """Write a value so that reading it returns the same number."""
    if value is None or math.isnan(value):
        return ""
    whole = value.is_integer()
    if quantity.unit == "mode" and whole and 0 <= value < len(MODES):
        return MODES[int(value)]
    if whole and quantity.unit in ("contact", "count", "mode"):
        return str(int(value))
    return repr(value)


def readings_of(rows: Iterable[Row]) -> Sequence[Reading]:
    """Return rows as readings, with the time as the instant of the request too."""
    return [
        Reading(point=point, asked=time, time=time, value=value, quality=quality, why=why)
        for time, point, value, quality, why in rows
    ]
