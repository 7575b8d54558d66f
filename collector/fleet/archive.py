"""The fleet's archive: one folder for each site and each day (UTC), open to any other engine.

``ARCHIVE/site=fenmoor/day=2026-03-01/readings.parquet`` holds time, point and value, sorted by
time; what was not had, or not to be trusted, has no value. ``events.jsonl`` beside it holds what
the site's own journal says of that day. Writing the same again changes nothing; what overlaps is
joined, and of two readings of one point at one time the first that was archived stays.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from collector.domain.errors import QuietpipeError, UsageError
from collector.domain.events import Event, event_from_json, event_to_json
from collector.domain.readings import Columns
from collector.domain.units import DAY
from collector.recorded import columns_within, read_columns
from collector.recorded.row_reader import load_arrow

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_SITE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")
_READINGS, _EVENTS = "readings.parquet", "events.jsonl"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """Counts of one write: days with rows, rows given, rows that were new."""

    days: int = 0
    given: int = 0
    new: int = 0


class Archive:
    """An archive in ``folder``; the folder need not be there before something is written."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def __repr__(self) -> str:
        return f"Archive({self._folder})"

    def sites(self) -> list[str]:
        """Return the ids of the sites it holds, sorted. Raises ``UsageError`` where it is none."""
        if not self._folder.is_dir():
            raise UsageError(f"{self._folder} is not there: an archive is a folder")
        return sorted(
            p.name.removeprefix("site=") for p in self._folder.glob("site=*") if p.is_dir())

    # -- readings --------------------------------------------------------------------------------

    def write(self, site: str, batches: Iterable[Columns]) -> Kept:
        """Archive readings of a site, sorted by time. Needs numpy and pyarrow.

        Each day's file is replaced whole, so that a crash leaves the old or the new one.
        """
        days = given = new = 0
        for day, parts in _by_day(batches):
            found = _Table.of(parts)
            days, given = days + 1, given + sum(len(p) for p in parts)
            new += self._add(self._partition(site, day) / _READINGS, found)
        return Kept(days=days, given=given, new=new)

    def _add(self, path: Path, found: _Table) -> int:
        pyarrow, parquet = load_arrow()
        held = _Table.read(parquet.read_table(path, partitioning=None)) if path.is_file() else None
        table, new = found.merged(held)
        if new:
            _replace(path, partial(parquet.write_table, table.arrow(pyarrow), compression="zstd"))
        return new

    def readings(self, site: str, start: int | None, end: int | None) -> Iterator[Columns]:
        """Yield a site's readings from ``start`` to ``end`` (ms) in the order of their time.

        Raises ``RecordingError`` at a day that cannot be read.
        """
        for path in self._days(site, _READINGS, start, end):
            yield from columns_within(read_columns([path]), start, end)

    # -- events ----------------------------------------------------------------------------------

    def write_events(self, site: str, events: Iterable[Event]) -> Kept:
        """Archive events of a site. Raises ``QuietpipeError`` at another site's event."""
        days: dict[int, list[Event]] = {}
        for event in events:
            if event.site != site:
                raise QuietpipeError(f"an event of {event.site} is not one of {site}")
            days.setdefault(event.time // DAY, []).append(event)
        given = new = 0
        for day, found in sorted(days.items()):
            path = self._partition(site, day) / _EVENTS
            held = list(_lines(path)) if path.is_file() else []
            known = set(held)
            fresh = [line for e in found if (line := event_to_json(e)) not in known]
            given, new = given + len(found), new + len(fresh)
            if fresh:
                lines = sorted([*held, *fresh], key=_time_of)
                text = "".join(f"{line}\n" for line in lines).encode()
                _replace(path, partial(_put, text))
        return Kept(days=len(days), given=given, new=new)

    def events(self, site: str, start: int | None, end: int | None) -> Iterator[Event]:
        """Yield the archived events of a site from ``start`` to ``end`` (ms)."""
        for path in self._days(site, _EVENTS, start, end):
            for line in _lines(path):
                event = _event(line, path)
                if (start is None or start <= event.time) and (end is None or event.time < end):
                    yield event

    def has_events(self, site: str) -> bool:
        return any(self._days(site, _EVENTS, None, None))

    # -- where it lies ---------------------------------------------------------------------------

    def _partition(self, site: str, day: int) -> Path:
        if not _SITE.fullmatch(site):
            raise UsageError(f'"{site}" is no id of a site')
        return self._folder / f"site={site}" / f"day={_date(day)}"

    def _days(self, site: str, name: str, start: int | None, end: int | None) -> list[Path]:
        low = "" if start is None else f"day={_date(start // DAY)}"
        high = "day=~" if end is None else f"day={_date((end - 1) // DAY)}"
        folder = self._folder / f"site={site}"
        return sorted(p / name for p in folder.glob("day=*")
                      if low <= p.name <= high and (p / name).is_file())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Table:
    """The rows of one day."""

    names: list[str]
    times: NDArray[np.int64]
    codes: NDArray[np.int64]
    values: NDArray[np.float64]

    @classmethod
    def of(cls, parts: Sequence[Columns]) -> _Table:
        import numpy

        names: dict[str, int] = {}
        codes = [
            numpy.array([names.setdefault(n, len(names)) for n in p.names], numpy.int64)[p.points]
            for p in parts
        ]
        return cls(
            names=list(names), times=numpy.concatenate([p.times for p in parts]),
            codes=numpy.concatenate(codes),
            values=numpy.concatenate([numpy.where(p.good, p.values, numpy.nan) for p in parts]),
        )

    @classmethod
    def read(cls, table: Any) -> _Table:
        point = table.column("point").combine_chunks().dictionary_encode()
        return cls(
            names=point.dictionary.to_pylist(),
            times=table.column("time").cast("int64").to_numpy(),
            codes=point.indices.to_numpy().astype("int64"),
            values=table.column("value").to_numpy(),
        )

    def merged(self, held: _Table | None) -> tuple[_Table, int]:
        """Merge the rows of ``held`` with these; return them, and how many of these were new."""
        import numpy

        before = 0 if held is None else len(held.times)
        names = {n: i for i, n in enumerate([] if held is None else held.names)}
        mine = numpy.array([names.setdefault(n, len(names)) for n in self.names], numpy.int64)
        times, codes, values = self.times, mine[self.codes], self.values
        if held is not None:
            times = numpy.concatenate([held.times, times])
            codes = numpy.concatenate([held.codes, codes])
            values = numpy.concatenate([held.values, values])
        # The first of each stays; numpy gives the place of the first of equals.
        kept = numpy.sort(numpy.unique(times * len(names) + codes, return_index=True)[1])
        # Equal times keep the order in which they came: rules may look at one row after another.
        kept = kept[numpy.argsort(times[kept], kind="stable")]
        whole = _Table(names=list(names), times=times[kept], codes=codes[kept],
                       values=values[kept])
        return whole, len(kept) - before

    def arrow(self, pyarrow: Any) -> Any:
        point = pyarrow.DictionaryArray.from_arrays(
            self.codes.astype("int32"), pyarrow.array(self.names, pyarrow.string()))
        return pyarrow.table({
            "time": pyarrow.array(self.times, pyarrow.timestamp("ms", "UTC")),
            "point": point.cast(pyarrow.string()),
            "value": pyarrow.array(self.values, from_pandas=True),
        })


def _by_day(batches: Iterable[Columns]) -> Iterator[tuple[int, list[Columns]]]:
    """Split sorted columns by the day of their rows."""
    import numpy

    held: list[Columns] = []
    now: int | None = None
    for columns in batches:
        days = columns.times // DAY
        cuts = [0, *(numpy.flatnonzero(numpy.diff(days)) + 1).tolist(), len(columns)]
        for first, last in zip(cuts, cuts[1:], strict=False):
            if last == first:
                continue
            day = int(days[first])
            if now is not None and day != now:
                yield now, held
                held = []
            now = day
            held.append(columns.take(slice(first, last)))
    if now is not None:
        yield now, held


def _replace(path: Path, write: Callable[[IO[bytes]], object]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with beside.open("wb") as out:
            write(out)
            out.flush()
            os.fsync(out.fileno())
        beside.replace(path)
    except BaseException:
        with suppress(OSError):
            beside.unlink()
        raise


def _put(text: bytes, out: IO[bytes]) -> None:
    out.write(text)


def _date(day: int) -> str:
    return datetime.fromtimestamp(day * (DAY // 1000), UTC).date().isoformat()


def _lines(path: Path) -> Iterator[str]:
    with path.open(encoding="utf-8") as file:
        yield from (line.rstrip("\n") for line in file)


def _event(line: str, path: Path) -> Event:
    try:
        return event_from_json(line)
    except (ValueError, KeyError) as exc:
        raise QuietpipeError(f"{path} holds a line that is no event") from exc


def _time_of(line: str) -> int:
    return event_from_json(line).time
