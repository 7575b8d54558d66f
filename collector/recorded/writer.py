"""Writes readings as a recording, CSV or Parquet: the exact inverse of reading it.

What is written is time, point, value, unit, quality and why. A value that was had and not trusted
is kept, with its quality beside it. In CSV a mode is its word; in Parquet, whose columns have one
type, it is its code (0 off, 1 nitrogen, 2 air-fill). When a reading was asked for is not recorded.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from itertools import islice
from typing import IO, Any, TextIO

from collector.clock import format_instant
from collector.domain.readings import Quality, Quantity, Reading
from collector.recorded.row_reader import load_arrow
from collector.recorded.rows import COLUMNS, quantity_of, value_text

__all__ = ["write_csv", "write_parquet"]

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
             _unit(units.of(r.point)), _quality(r), r.why) for r in batch
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
