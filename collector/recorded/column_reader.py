"""Reads recordings as columns: what ``read_recordings`` gives, several times as fast.

Needs numpy and pyarrow (the extra ``parquet``). Text is taken in blocks of whole rows. A block in
which anything is out of the ordinary (quotes, a second way to write a time, any mistake) is read
row by row by the very code that reads recordings without these libraries, so that both say the
same of every file.
"""

from __future__ import annotations

import contextlib
import csv
import importlib.util
import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from collector.domain.readings import Columns
from collector.recorded.row_reader import (
    ALWAYS,
    Fields,
    File,
    Meter,
    Pick,
    Progress,
    Span,
    load_arrow,
)
from collector.recorded.rows import COLUMNS, Codes, Odd

_BLOCK = 4 << 20
_PARQUET_ROWS = 65_536


def columns_available() -> bool:
    """Whether numpy and pyarrow are installed."""
    return all(importlib.util.find_spec(name) is not None for name in ("numpy", "pyarrow"))


def read_columns(
    paths: Sequence[Path], *, unsorted: bool = False, progress: Progress | None = None,
    span: Span = ALWAYS,
) -> Iterator[Columns]:
    """Yield the rows of all files in the order of their time, as columns, in batches.

    The order of equal times, the mistakes and the error are those of
    :func:`~collector.recorded.row_reader.read_recordings`.
    """
    meter, codes = Meter(paths, progress), Codes()
    streams = [_ColumnFile(path, meter, codes, unsorted=unsorted, span=span).columns()
               for path in paths]
    if unsorted:
        yield from in_order(streams)
    elif len(streams) == 1:
        yield from streams[0]
    else:
        yield from merged(streams)


class _ColumnFile(File):
    """Reads one recording into sorted columns."""

    def __init__(
        self, path: Path, meter: Meter, codes: Codes, *, unsorted: bool, span: Span,
    ) -> None:
        super().__init__(path, meter, unsorted=unsorted, span=span)
        self._codes = codes
        self._lines = 1
        self._typed: _Text | None = None

    def columns(self) -> Iterator[Columns]:
        """Yield columns, sorted unless all is sorted later; raise if there are mistakes."""
        held: Columns | None = None
        source = self._parquet_columns() if self.is_parquet else self._csv_columns()
        for found in self.guarded(source):
            if self._mistakes:
                if self.full:
                    break
            elif self._unsorted:
                yield found
            else:
                held = joined([found] if held is None else [held, found])
                if self._latest is not None:
                    ready = int(held.times.searchsorted(self._latest - self.OUT_OF_ORDER))
                    if ready:
                        yield held.take(slice(0, ready))
                        held = held.take(slice(ready, None))
        self.raise_mistakes()
        if held is not None and len(held):
            yield held

    def _row_by_row(self, lines: Sequence[int], fields: Sequence[Fields]) -> Columns:
        return self._codes.of_rows(list(self._rows(lines, fields)))

    def _checked(self, found: Columns) -> Columns:
        """Return columns in order within a minute and without a long gap. Raises :class:`Odd`."""
        import numpy as np

        if not len(found):
            return found
        latest = np.maximum.accumulate(found.times)
        if self._latest is not None:
            latest = np.maximum(latest, self._latest)
        if not self._unsorted and (found.times < latest - self.OUT_OF_ORDER).any():
            raise Odd
        gaps = np.diff(latest, prepend=latest[0] if self._latest is None else self._latest)
        if not self._unsorted and (gaps > self.LONGEST_GAP).any():
            raise Odd
        self._latest = int(latest[-1])
        return found

    # -- CSV -------------------------------------------------------------------------------------

    def _csv_columns(self) -> Iterator[Columns]:
        with contextlib.ExitStack() as stack:
            raw, plain = self._open(stack)
            first: bytes = plain.readline()
            line, lone, rest = first.partition(b"\r")
            if not lone or rest == b"\n":
                rest = b""
            header = next(csv.reader([line.decode("utf-8-sig")], strict=True), [])
            pick = self._header(header)
            if pick is None:
                return
            for block in _blocks(plain, rest):
                yield self._block(block, header, pick)
                self._lines += _ends(block)
                if raw.seekable():
                    self._meter.at(self._path, raw.tell())

    def _block(self, block: bytes, header: Sequence[str], pick: Pick) -> Columns:
        pyarrow, _ = load_arrow()
        if self._typed is None:
            self._typed = _Text([n.strip().lower() for n in header])
        try:
            return self._checked(self._codes.columns(**self._typed.arrays(block)))
        except (Odd, pyarrow.ArrowException):
            text = io.StringIO(block.decode("utf-8"), newline="")
            reader = csv.reader(text, strict=True)
            batch = [(self._lines + reader.line_num, fields) for fields in reader]
            return self._row_by_row(*self._picked(batch, pick, len(header)))

    # -- Parquet ---------------------------------------------------------------------------------

    def _parquet_columns(self) -> Iterator[Columns]:
        pyarrow, parquet = load_arrow()
        try:
            names = parquet.read_schema(self._path).names
            if self._header(names) is None:
                return
            texts = [n for n in names if n in ("point", "unit", "quality")]
            with parquet.ParquetFile(self._path, read_dictionary=texts) as file:
                done = 0
                for batch in file.iter_batches(_PARQUET_ROWS):
                    yield self._batch(batch, done)
                    done += batch.num_rows
        except pyarrow.ArrowException as exc:
            self._say(None, f"is not Parquet: {exc}", "a .parquet file")

    def _batch(self, batch: Any, done: int) -> Columns:
        pyarrow, _ = load_arrow()
        there = [name for name in COLUMNS[:5] if name in batch.schema.names]
        try:
            if there[:3] != list(COLUMNS[:3]):
                raise Odd  # names in another case
            return self._checked(self._codes.columns(**{n: batch.column(n) for n in there}))
        except (Odd, pyarrow.ArrowException):
            columns = [self._column(batch, name) for name in COLUMNS]
            return self._row_by_row(
                range(done + 1, done + batch.num_rows + 1), list(zip(*columns, strict=True)))


class _Text:
    """Splits blocks of plain CSV rows into arrays."""

    def __init__(self, header: Sequence[str]) -> None:
        self._header = list(header)
        self._iso: bool | None = None

    def arrays(self, block: bytes) -> dict[str, Any]:
        """Return the columns of a block. Raises :class:`Odd` or an arrow exception."""
        import pyarrow.csv as arrow_csv

        if b'"' in block or b"\r" in block and block.count(b"\r") != block.count(b"\r\n"):
            raise Odd
        if not block.isascii():
            block.decode("utf-8")
        if self._iso is None:
            fields = block[:block.find(b"\n")].split(b",")
            self._iso = fields[min(self._header.index("time"), len(fields) - 1)][4:5] == b"-"
        table = arrow_csv.read_csv(
            io.BytesIO(block),
            read_options=arrow_csv.ReadOptions(
                column_names=self._header, use_threads=False, block_size=len(block) + 1),
            parse_options=arrow_csv.ParseOptions(quote_char=False),
            convert_options=self._conversion(arrow_csv),
        )
        return {n: table.column(n).combine_chunks() for n in self._header if n != "why"}

    def _conversion(self, arrow_csv: Any) -> Any:
        import pyarrow as pa

        word = pa.dictionary(pa.int32(), pa.string())
        return arrow_csv.ConvertOptions(
            column_types={
                "time": pa.timestamp("ms", "UTC") if self._iso else pa.float64(),
                "point": word, "unit": word, "quality": word,
                "value": pa.string(), "why": pa.string(),
            },
            timestamp_parsers=[arrow_csv.ISO8601], null_values=[""], strings_can_be_null=True,
            include_columns=[n for n in self._header if n != "why"],
        )


def _ends(block: bytes) -> int:
    """Return the number of line ends in a block, of any of the three kinds."""
    import numpy as np

    ends = int(np.count_nonzero(np.frombuffer(block, np.uint8) == ord("\n")))
    return ends + block.count(b"\r") - block.count(b"\r\n") if b"\r" in block else ends


def _blocks(plain: Any, rest: bytes) -> Iterator[bytes]:
    """Yield the text in pieces that end with a row; an open quote keeps a piece open."""
    while data := plain.read(_BLOCK):
        rest += data
        cut = rest.rfind(b"\n") + 1
        if cut and rest.count(b'"', 0, cut) % 2 == 0:
            yield rest[:cut]
            rest = rest[cut:]
    if rest:
        yield rest


_ROWS = 65_536


def joined(parts: Sequence[Columns]) -> Columns:
    """Return all rows sorted by time, stably."""
    import numpy as np

    if len(parts) == 1:
        whole = parts[0]
    else:
        whole = Columns(
            names=parts[0].names,
            times=np.concatenate([p.times for p in parts]),
            points=np.concatenate([p.points for p in parts]),
            values=np.concatenate([p.values for p in parts]),
            good=np.concatenate([p.good for p in parts]),
        )
    if (whole.times[1:] >= whole.times[:-1]).all():
        return whole
    return whole.take(np.argsort(whole.times, kind="stable"))


def in_order(streams: Iterable[Iterator[Columns]]) -> Iterator[Columns]:
    """Read everything, then yield it sorted."""
    parts = [part for stream in streams for part in stream]
    if parts:
        whole = joined(parts)
        for start in range(0, len(whole), _ROWS):
            yield whole.take(slice(start, start + _ROWS))


@dataclass(slots=True)
class _Stream:
    source: Iterator[Columns]
    held: list[Columns] = field(default_factory=list)
    ended: bool = False

    def fill(self) -> None:
        """Read until a batch is held or the source has ended."""
        if not self.held:
            self.more()

    def more(self) -> None:
        """Read the next batch, if there is one."""
        while not self.ended:
            found = next(self.source, None)
            if found is None:
                self.ended = True
            elif len(found):
                self.held.append(found)
                return

    @property
    def last(self) -> int:
        return int(self.held[-1].times[-1])


def merged(sources: Sequence[Iterator[Columns]]) -> Iterator[Columns]:
    """Yield several sorted streams as one; of rows of one time the first stream's come first."""
    streams = [_Stream(source) for source in sources]
    while True:
        for stream in streams:
            stream.fill()
        open_ended = [s for s in streams if not s.ended]
        if not open_ended:
            break
        # Rows of the very time up to which a stream is known may still be followed by more.
        known = min(s.last for s in open_ended)
        parts = [part for s in streams for part in _before(s, known)]
        if parts:
            yield joined(parts)
        for stream in open_ended:
            if stream.last == known:
                stream.more()
    rest = [part for s in streams for part in s.held]
    if rest:
        yield joined(rest)


def _before(stream: _Stream, time: int) -> list[Columns]:
    """Remove and return the part of a stream before ``time``."""
    ready: list[Columns] = []
    kept: list[Columns] = []
    for part in stream.held:
        split = int(part.times.searchsorted(time))
        if split:
            ready.append(part.take(slice(0, split)))
        if split < len(part):
            kept.append(part.take(slice(split, None)))
    stream.held = kept
    return ready
