"""Reads recordings, CSV or Parquet, as sorted batches of rows, and several of them as one.

Rows may be out of order within a minute: a batch leaves once the recording is a minute further.
Every bad row is a mistake with its line; after the first no row is returned, but reading continues
until twenty are found.
"""

from __future__ import annotations

import contextlib
import csv
import gzip
import heapq
import io
import sys
import zlib
from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import chain, islice
from operator import itemgetter
from pathlib import Path
from typing import IO, Any, TypeVar

from collector.config.diagnostics import nearest
from collector.domain.errors import Mistake, QuietpipeError
from collector.domain.units import DAY, MINUTE, duration_text
from collector.recorded.rows import COLUMNS, BadRow, Row, RowReader

T = TypeVar("T")

_BATCH = 8192
_MOST_MISTAKES = 20
_PER_SECOND = {"s": 1, "ms": 1000, "us": 10**6, "ns": 10**9}

_by_time = itemgetter(0)
Fields = tuple[str, str, str, str, str, str]
Pick = Callable[[Sequence[str]], Fields]
Progress = Callable[[int, int], None]
"""Called with bytes read and bytes in all (0 where that is not known)."""


Span = tuple[int, int]
"""From and to (ms, exclusive)."""
ALWAYS = (-(2**63), 2**63 - 1)


class RecordingError(QuietpipeError):
    """A recording cannot be read. Carries up to twenty mistakes, each with its line."""

    def __init__(self, mistakes: Sequence[Mistake]) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__("\n".join(str(m) for m in mistakes))


def read_recordings(
    paths: Sequence[Path], *, unsorted: bool = False, progress: Progress | None = None,
    span: Span = ALWAYS,
) -> Iterator[Sequence[Row]]:
    """Yield the rows of all files in the order of their time, in batches.

    No gap within ``span`` may be longer than 90 days: it is a wrong time rather than a silence.
    Rows of the same time keep the order of the files, and within a file that of its lines. With
    ``unsorted`` everything is read into memory and sorted first. The path ``-`` is standard input
    (CSV). Raises :class:`RecordingError`.
    """
    meter = Meter(paths, progress)
    files = [File(path, meter, unsorted=unsorted, span=span) for path in paths]
    if unsorted:
        rows = sorted(chain.from_iterable(chain.from_iterable(f.batches() for f in files)),
                      key=_by_time)
        yield from _batched(rows)
    elif len(files) == 1:
        yield from files[0].batches()
    else:
        streams = (chain.from_iterable(f.batches()) for f in files)
        yield from _batched(heapq.merge(*streams, key=_by_time))


def _batched(rows: Iterable[Row]) -> Iterator[Sequence[Row]]:
    remaining = iter(rows)
    while batch := list(islice(remaining, _BATCH)):
        yield batch


class Meter:
    """Adds up the bytes read of several files."""

    def __init__(self, paths: Sequence[Path], progress: Progress | None) -> None:
        self._progress = progress
        self._done: dict[Path, int] = {}
        sizes = []
        for path in paths:
            with contextlib.suppress(OSError):  # opening it will say why
                sizes.append(path.stat().st_size)
        self._total = sum(sizes) if len(sizes) == len(paths) else 0

    def at(self, path: Path, position: int) -> None:
        """Report that ``path`` has been read up to byte ``position``."""
        if self._progress is not None:
            self._done[path] = position
            self._progress(sum(self._done.values()), self._total)


class File:
    """Reads one recording into sorted rows."""

    OUT_OF_ORDER = MINUTE
    """ms by which a row may follow a later one."""
    LONGEST_GAP = 90 * DAY
    """ms between two rows: a site that was silent for longer is replayed in parts (setting)."""

    def __init__(
        self, path: Path, meter: Meter, *, unsorted: bool, span: Span = ALWAYS,
    ) -> None:
        self._path, self._meter, self._unsorted, self._span = path, meter, unsorted, span
        self._name = "standard input" if str(path) == "-" else path.name
        self._mistakes: list[tuple[int, Mistake]] = []
        self._reader = RowReader()
        self._latest: int | None = None

    def batches(self) -> Iterator[Sequence[Row]]:
        """Yield sorted batches; raise :class:`RecordingError` at the end if there are mistakes."""
        waiting: list[Row] = []
        for number, fields in self._chunks():
            waiting.extend(self._rows(number, fields))
            if self._mistakes or self._latest is None:
                if self.full:
                    break
                continue
            waiting.sort(key=_by_time)
            if not self._unsorted:
                ready = _first_not_before(waiting, self._latest - self.OUT_OF_ORDER)
                if ready:
                    yield waiting[:ready]
                    del waiting[:ready]
        self.raise_mistakes()
        if waiting:
            yield waiting

    @property
    def full(self) -> bool:
        """Whether the most mistakes to report are found."""
        return len(self._mistakes) >= _MOST_MISTAKES

    def raise_mistakes(self) -> None:
        """Raise :class:`RecordingError` if there are mistakes."""
        if self._mistakes:
            raise RecordingError([m for _, m in sorted(self._mistakes, key=itemgetter(0))])

    def _chunks(self) -> Iterator[tuple[Sequence[int], Sequence[Fields]]]:
        yield from self.guarded(self._parquet() if self.is_parquet else self._csv())

    @property
    def is_parquet(self) -> bool:
        """Whether the file's name ends in .parquet; everything else is CSV."""
        return self._path.suffix.lower() == ".parquet"

    def guarded(self, source: Iterator[T]) -> Iterator[T]:
        """Yield from ``source``; an error of reading becomes a mistake and ends it."""
        try:
            yield from source
        except (OSError, EOFError, zlib.error) as exc:
            why = getattr(exc, "strerror", None) or str(exc)
            self._say(None, f"cannot be read: {why}", "CSV, CSV in .gz, or .parquet")
        except UnicodeDecodeError:
            self._say(None, "is not UTF-8 text", "CSV, CSV in .gz, or .parquet")
        except csv.Error as exc:
            self._say(None, f"is not CSV: {exc}", "CSV with the header time,point,value")

    def _say(self, line: int | None, problem: str, expected: str = "") -> None:
        place = self._name if line is None else f"{self._name} line {line}"
        if len(self._mistakes) < _MOST_MISTAKES:
            self._mistakes.append(
                (line or 0, Mistake(place=place, problem=problem, expected=expected)))

    def _rows(self, lines: Sequence[int], chunk: Sequence[Fields]) -> Iterator[Row]:
        read = self._reader.row
        latest = -(2**63) if self._latest is None else self._latest
        for line, fields in zip(lines, chunk, strict=True):
            try:
                row = read(*fields)
            except BadRow as exc:
                self._say(line, exc.problem, exc.expected)
                continue
            if row[0] > latest:
                if self._latest is not None and row[0] - latest > self.LONGEST_GAP and \
                        not self._unsorted and self._span[0] <= latest and row[0] < self._span[1]:
                    self._say(line, f"{duration_text(row[0] - latest)} after the row above it",
                              "no gap of more than 90 d: one side left out with --from or --to")
                    continue
                latest = self._latest = row[0]
            elif row[0] < latest - self.OUT_OF_ORDER and not self._unsorted:
                self._say(line, f"{(latest - row[0]) / 1000:g} s before a row above it",
                          "rows in order within a minute, or --unsorted")
                continue
            yield row

    # -- CSV -------------------------------------------------------------------------------------

    def _csv(self) -> Iterator[tuple[Sequence[int], Sequence[Fields]]]:
        with contextlib.ExitStack() as stack:
            raw, plain = self._open(stack)
            text = io.TextIOWrapper(plain, encoding="utf-8-sig", newline="")
            stack.callback(text.detach)
            reader = csv.reader(text, strict=True)
            header = next(reader, [])
            pick = self._header(header)
            if pick is None:
                return
            numbered = ((reader.line_num, fields) for fields in reader)
            while batch := list(islice(numbered, _BATCH)):
                yield self._picked(batch, pick, len(header))
                if raw.seekable():
                    self._meter.at(self._path, raw.tell())

    def _open(self, stack: contextlib.ExitStack) -> tuple[IO[bytes], Any]:
        """Return the file and its decompressed content."""
        raw: IO[bytes] = sys.stdin.buffer if str(self._path) == "-" \
            else stack.enter_context(self._path.open("rb"))
        if self._path.suffix.lower() == ".gz":
            return raw, stack.enter_context(gzip.GzipFile(fileobj=raw))
        return raw, raw

    def _picked(
        self, batch: Sequence[tuple[int, list[str]]], pick: Pick, width: int,
    ) -> tuple[Sequence[int], Sequence[Fields]]:
        lines: list[int] = []
        chunk: list[Fields] = []
        for line, fields in batch:
            if len(fields) == width:
                fields.append("")  # the value of a missing column
                lines.append(line)
                chunk.append(pick(fields))
            elif fields:
                self._say(line, f"{len(fields)} fields where the header has {width}",
                          "as many as the header")
        return lines, chunk

    def _header(self, names: Sequence[str]) -> Pick | None:
        found = [n.strip().lower() for n in names]
        for name in found:
            if name not in COLUMNS:
                self._say(1, f'unknown column "{name}"{nearest(name, COLUMNS)}',
                          ", ".join(COLUMNS))
            elif found.count(name) > 1:
                self._say(1, f'column "{name}" is there twice', "each column once")
        for name in COLUMNS[:3]:
            if name not in found:
                self._say(1, f'no column "{name}"', "the header time,point,value")
        if self._mistakes:
            return None
        return itemgetter(*(found.index(c) if c in found else -1 for c in COLUMNS))

    # -- Parquet ---------------------------------------------------------------------------------

    def _parquet(self) -> Iterator[tuple[Sequence[int], Sequence[Fields]]]:
        pyarrow, parquet = load_arrow()
        try:
            with parquet.ParquetFile(self._path) as file:
                if self._header(file.schema_arrow.names) is None:
                    return
                done = 0
                for batch in file.iter_batches(_BATCH):
                    columns = [self._column(batch, name) for name in COLUMNS]
                    yield range(done + 1, done + batch.num_rows + 1), \
                        list(zip(*columns, strict=True))
                    done += batch.num_rows
        except pyarrow.ArrowException as exc:
            self._say(None, f"is not Parquet: {exc}", "a .parquet file")

    def _column(self, batch: Any, name: str) -> Sequence[str]:
        if name not in batch.schema.names:
            return [""] * int(batch.num_rows)
        column = batch.column(name)
        if str(column.type).startswith("timestamp"):
            if column.type.tz is None:
                raise RecordingError([Mistake(
                    place=self._name, problem="the times have no time zone",
                    expected="timestamps with time zone UTC, text with an offset, or seconds")])
            per = _PER_SECOND[column.type.unit]
            return ["" if v is None else repr(v / per)
                    for v in column.cast("int64").to_pylist()]
        if str(column.type) == "bool":
            column = column.cast("int8")
        return ["" if v is None else str(v) for v in column.to_pylist()]


def _first_not_before(rows: Sequence[Row], time: int) -> int:
    return bisect_left(rows, time, key=_by_time)


def load_arrow() -> tuple[Any, Any]:
    """Return the modules ``pyarrow`` and ``pyarrow.parquet``, loaded only where they are used."""
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as exc:
        raise QuietpipeError(
            "Parquet needs the library pyarrow: pip install 'quietpipe[parquet]'") from exc
    return pyarrow, pyarrow.parquet
