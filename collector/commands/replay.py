"""Feed recorded readings through the same rules with the recorded clock.

Prints events as JSON lines. No device is asked, nobody is told, no journal is touched; the same
readings give the same bytes. Recordings are CSV with the header time,point,value (and unit,
quality, why), also as .gz, or .parquet; several are merged by time; - is standard input.

Example:
  quietpipe replay fenmoor.toml march.csv.gz
  quietpipe replay fenmoor.toml --unsorted logger-a.csv logger-b.parquet

"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from collector.commands.progress import Progress
from collector.commands.spans import add_span
from collector.config import load_site
from collector.domain.columns import Columns
from collector.domain.events import Event, event_to_json
from collector.domain.plant import Plant
from collector.recorded import (
    RecordingError,
    Row,
    columns_available,
    read_columns,
    read_recordings,
    readings_of,
)
from collector.watch import Watch

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    parser.add_argument("readings", type=Path, nargs="+", metavar="READINGS",
                        help="recordings: CSV, CSV in .gz, or .parquet")
    parser.add_argument("--unsorted", action="store_true",
                        help="sort first: for rows more than a minute out of order")
    add_span(parser)


def run(options: argparse.Namespace) -> int:
    """Replay; return the exit status, 2 when a recording has bad rows."""
    config = load_site(options.site, secrets=False)
    watch = Watch(plant=config.plant, settings=config.settings, step=config.step)
    foreign = _Foreign(config.plant)
    try:
        with Progress("replayed") as progress:
            replayed = _by_columns if columns_available() else _by_rows
            for events in replayed(watch, foreign, options, progress):
                _print(events)
    except RecordingError as error:
        for mistake in error.mistakes:
            print(mistake, file=sys.stderr)
        print(f"{len(error.mistakes)} mistake(s) in the recordings; the replay stopped before "
              "the first.", file=sys.stderr)
        return 2
    foreign.say()
    return 0


def _by_columns(
    watch: Watch, foreign: _Foreign, options: argparse.Namespace, progress: Progress,
) -> Iterator[Sequence[Event]]:
    batches = read_columns(options.readings, unsorted=options.unsorted, progress=progress.share)
    last: int | None = None
    for columns in foreign.columns_left_out(_columns_within(batches, *_span(options))):
        if len(columns):
            yield watch.feed_columns(columns)
            last = int(columns.times[-1])
    if last is not None:
        yield watch.advance(last)


def _by_rows(
    watch: Watch, foreign: _Foreign, options: argparse.Namespace, progress: Progress,
) -> Iterator[Sequence[Event]]:
    batches = read_recordings(
        options.readings, unsorted=options.unsorted, progress=progress.share)
    last: int | None = None
    for rows in foreign.left_out(_within(batches, *_span(options))):
        if rows:
            yield watch.feed(readings_of(rows))
            last = rows[-1][0]
    if last is not None:
        # What is due by the last reading, and nothing beyond: nobody knows what came after it.
        yield watch.advance(last)


def _span(options: argparse.Namespace) -> tuple[int, int]:
    return (-(2**63) if options.start is None else options.start,
            2**63 - 1 if options.end is None else options.end)


def _within(
    batches: Iterable[Sequence[Row]], low: int, high: int,
) -> Iterator[Sequence[Row]]:
    for rows in batches:
        if rows and rows[0][0] >= high:
            return
        if rows and low <= rows[0][0] and rows[-1][0] < high:
            yield rows
        else:
            yield [row for row in rows if low <= row[0] < high]


def _columns_within(batches: Iterable[Columns], low: int, high: int) -> Iterator[Columns]:
    for columns in batches:
        start, end = (int(n) for n in columns.times.searchsorted([low, high]))
        if end > start:
            yield columns.take(slice(start, end))
        elif len(columns) and not end:
            return


def _print(events: Sequence[Event]) -> None:
    if events:
        sys.stdout.write("".join(event_to_json(event) + "\n" for event in events))
        sys.stdout.flush()


class _Foreign:
    """Points of things that the site file does not have."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self._ours: dict[str, bool] = {}

    def left_out(self, batches: Iterable[Sequence[Row]]) -> Iterator[Sequence[Row]]:
        """Leave out what the watch could make nothing of."""
        for rows in batches:
            ours = {point: self._is_ours(point) for point in {row[1] for row in rows}}
            yield rows if all(ours.values()) else [row for row in rows if ours[row[1]]]

    def columns_left_out(self, batches: Iterable[Columns]) -> Iterator[Columns]:
        """Leave out what the watch could make nothing of."""
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

    def say(self) -> None:
        """Name them, once."""
        points = sorted(point for point, ours in self._ours.items() if not ours)
        if points:
            print(f"left out, since the site file has no such thing: {', '.join(points)}",
                  file=sys.stderr)
