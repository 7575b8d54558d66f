"""Figures of the journal, printed: ``python -m tests.benchmarks.bench_journal``.

Rows a second of whole commits beside a bare ``executemany`` of the same rows into the same table
shape in the same run, both with every transaction waited for on the disk; bytes a stored sample
costs at rest; seconds to read a year's trend of one point recorded every 10 s.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from collector.journal import Journal
from tests.journal.examples import HOUR, T0, plant_polls

BARE = """
CREATE TABLE readings (series INTEGER, time INTEGER, value REAL, quality INTEGER, why INTEGER,
  latency INTEGER, commit_no INTEGER, PRIMARY KEY (series, time)) WITHOUT ROWID
"""


def timed(work: Callable[[], object]) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def batches(size: int, hours: int) -> list[list]:
    """Polls of 40 points, ``size`` polls to a commit."""
    polls = list(plant_polls(T0, T0 + hours * HOUR, every=1000, pressures=24, contacts=16))
    return [
        [r for poll in polls[i : i + size] for r in poll] for i in range(0, len(polls), size)
    ]


def bare(path: Path, work: list[list]) -> None:
    series: dict[str, int] = {}
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute(BARE)
    rows = [
        [(series.setdefault(r.point, len(series)), r.time, r.value, 0, 0, r.time - r.asked, n)
         for r in batch]
        for n, batch in enumerate(work)
    ]

    def insert() -> None:
        for batch in rows:
            db.execute("BEGIN IMMEDIATE")
            db.executemany("INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?, ?)", batch)
            db.execute("COMMIT")

    bare.seconds = timed(insert)  # type: ignore[attr-defined]
    db.close()


def writing(folder: Path) -> None:
    for size in (1, 10, 100):
        work = batches(size, 1)[: 3600 // size if size > 1 else 1500]
        count = sum(map(len, work))
        with Journal.open(folder / f"journal-{size}.sqlite") as journal:
            ours = timed(lambda: [journal.commit(batch, []) for batch in work])  # noqa: B023
        bare(folder / f"bare-{size}.sqlite", work)
        theirs = bare.seconds  # type: ignore[attr-defined]
        print(f"commits of {size * 40:5d} rows: {count / ours:9,.0f} rows/s; bare executemany "
              f"{count / theirs:9,.0f} rows/s; ratio {theirs / ours:.2f}")


def at_rest(folder: Path) -> None:
    path, hours, samples = folder / "rest.sqlite", 48, 0
    with Journal.open(path) as journal:
        pending: list = []
        for n, poll in enumerate(plant_polls(T0, T0 + hours * HOUR, pressures=24, contacts=16)):
            pending.extend(poll)
            samples += len(poll)
            if n % 10 == 9:
                journal.commit(pending, [])
                pending = []
        print(f"open: {journal.statistics().bytes / samples:.1f} bytes a sample")
        packed = timed(lambda: journal.pack(T0 + hours * HOUR))
        journal.retain(oldest=None, max_bytes=None)
        took = timed(lambda: sum(1 for _ in journal.readings(None, None, None)))
    print(f"packed: {path.stat().st_size / samples:.2f} bytes a sample at rest (whole file, "
          f"40 points each 10 s); packs {samples / packed:,.0f} samples/s, "
          f"reads back {samples / took:,.0f} samples/s")


def year(folder: Path) -> None:
    path, days, samples = folder / "year.sqlite", 365, 0
    with Journal.open(path) as journal:
        for day in range(days):
            start = T0 + day * 24 * HOUR
            rows = [
                r for poll in plant_polls(start, start + 24 * HOUR, seed=day, pressures=1,
                                          contacts=0) for r in poll
            ]
            samples += len(rows)
            journal.commit(rows, [])
            journal.pack(start + 24 * HOUR)
        journal.retain(oldest=None, max_bytes=None)
        for name, step in (("1 h", HOUR), ("1 d", 24 * HOUR)):
            took = timed(lambda: journal.trend(  # noqa: B023
                "r0.pressure", T0, T0 + days * 24 * HOUR, step))  # noqa: B023
            print(f"a year of {samples:,} samples by {name}: {took:.3f} s")
        took = timed(lambda: journal.trend("r0.pressure", T0 + 1, T0 + 7 * 24 * HOUR, 600_000))
        print(f"a week by 10 min, from samples: {took:.3f} s")
    print(f"one point alone, its times shared with none: {path.stat().st_size / samples:.2f} "
          "bytes a sample")


def main() -> int:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        writing(folder)
        at_rest(folder)
        year(folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())
