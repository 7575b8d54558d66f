"""Selects the recorded readings of one site and one span."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from collector.domain.columns import Columns
from collector.domain.plant import Plant
from collector.domain.readings import Reading
from collector.recorded.column_reader import columns_available, read_columns
from collector.recorded.row_reader import Progress, read_recordings
from collector.recorded.rows import Row, readings_of

__all__ = ["SiteFilter", "columns_within", "rows_within", "site_readings"]


class SiteFilter:
    """Leaves out points of assets that the site file does not have, and lists them."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self._ours: dict[str, bool] = {}

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
        yield from filter(len, site.columns(columns_within(columns, start, end)))
    else:
        rows = read_recordings(paths, unsorted=unsorted, progress=progress,
                               span=_span(start, end))
        yield from map(readings_of, filter(len, site.rows(rows_within(rows, start, end))))


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
