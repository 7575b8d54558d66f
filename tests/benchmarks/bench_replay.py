"""How fast a year of one site is replayed, beside the bare library reading the same file.

Some days of the bundled plant are recorded at 10 s and laid end to end, times and counters moved
along exactly. Every figure is taken in a process of its own, by the CPU time it used on one core.

    python -m tests.benchmarks.bench_replay            (a year; about 2.5 GB of CSV in --folder)
    python -m tests.benchmarks.bench_replay --days 30

Before that, some days of plants with faults are told both ways, by columns and one reading after
the other, from a CSV and from a Parquet file each: the events must be the same bytes.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy
import pyarrow
import pyarrow.compute
import pyarrow.csv
import pyarrow.parquet

from collector.app.monitor import SiteMonitor
from collector.config import SiteConfig, load_site
from collector.domain.events import event_to_json
from collector.domain.readings import MODES, Columns, readings_of
from collector.recorded import read_columns, read_recordings
from collector.recorded import readings_of as readings_of_rows
from simulators.record import rows
from simulators.scenario import load_scenario
from simulators.serving import write_site
from simulators.stage import Stage

EVERY = 10_000
DAY = 86_400_000
COUNTERS = ("running_hours", "start_count")
FAULTY = {"lying-sensors": 3, "black-out": 2}
"""Bundled plants with faults, and how many days of each are told both ways."""


def recorded(scenario: str, days: int, every: int = EVERY) -> pyarrow.Table:
    """Return some days of a bundled plant: time (ms), point, value."""
    told = list(rows(Stage(load_scenario(scenario)), days * DAY, every))
    values = [float(MODES.index(v)) if isinstance(v, str) else v for _, _, v in told]
    return pyarrow.table({
        "time": pyarrow.array([t for t, _, _ in told], pyarrow.int64()),
        "point": pyarrow.array([p for _, p, _ in told]).dictionary_encode(),
        "value": pyarrow.array(values, pyarrow.float64()),
    })


def tiled(base: pyarrow.Table, days: int, of: int) -> Iterator[pyarrow.Table]:
    """Yield the recording again and again until there are ``days``, counters counting on."""
    names = base.column("point").combine_chunks()
    codes = names.indices.to_numpy()
    values = base.column("value").to_numpy()
    grown = numpy.zeros(len(values))
    for code, name in enumerate(names.dictionary.to_pylist()):
        if name.rpartition(".")[2] in COUNTERS:
            mine = numpy.flatnonzero(codes == code)
            grown[mine] = numpy.nanmax(values[mine]) - values[mine[0]]
    for number in range(-(-days // of)):
        keep = min(of, days - number * of) * len(values) // of
        moved = base.column("time").to_numpy()[:keep] + number * of * DAY
        yield pyarrow.table({
            "time": pyarrow.array(moved, pyarrow.timestamp("ms", "UTC")),
            "point": names.slice(0, keep).cast(pyarrow.string()),
            "value": pyarrow.array(values[:keep] + number * grown[:keep], from_pandas=True),
        })


def write(base: pyarrow.Table, days: int, of: int, folder: Path) -> list[Path]:
    """Write both files; return their paths."""
    csv, parquet = folder / "year.csv", folder / "year.parquet"
    plain = pyarrow.csv.WriteOptions(include_header=False, quoting_style="none")
    with csv.open("wb") as out:
        out.write(b"time,point,value\n")
        for table in tiled(base, days, of):
            times = pyarrow.compute.strftime(table.column("time"), format="%Y-%m-%dT%H:%M:%SZ")
            # The second has its milliseconds; a poll falls on a whole one.
            text = pyarrow.compute.replace_substring(times, ".000Z", "Z")
            pyarrow.csv.write_csv(table.set_column(0, "time", text), out, plain)
    write_tables(tiled(base, days, of), parquet)
    return [csv, parquet]


def write_tables(tables: Iterable[pyarrow.Table], path: Path) -> None:
    """Write tables as one Parquet file."""
    writer = None
    for table in tables:
        writer = writer or pyarrow.parquet.ParquetWriter(path, table.schema, compression="zstd")
        writer.write_table(table, row_group_size=131_072)
    assert writer is not None
    writer.close()


def bare(path: Path) -> int:
    """Read a file with the library alone."""
    if path.suffix == ".parquet":
        with pyarrow.parquet.ParquetFile(path) as file:
            return sum(batch.num_rows for batch in file.iter_batches(65_536, use_threads=False))
    with pyarrow.csv.open_csv(
        path, read_options=pyarrow.csv.ReadOptions(use_threads=False, block_size=4 << 20),
        convert_options=pyarrow.csv.ConvertOptions(column_types={"point": pyarrow.string()}),
    ) as reader:
        return sum(batch.num_rows for batch in reader)


def read(path: Path) -> int:
    """Read a file into columns."""
    return sum(len(columns) for columns in read_columns([path]))


def replay(path: Path, monitor: SiteMonitor, most: int | None = None) -> tuple[int, int]:
    """Feed a file to the rules; return rows and events. ``most`` rows one after the other."""
    count = events = 0
    for columns in read_columns([path]):
        events += len(fed(monitor, columns, one_by_one=most is not None))
        count += len(columns)
        if most is not None and count >= most:
            break
    return count, events


def fed(monitor: SiteMonitor, columns: Columns, *, one_by_one: bool) -> list[Any]:
    return monitor.feed(readings_of(columns)) if one_by_one else monitor.feed_columns(columns)


def work(what: str, path: Path, site: Path) -> None:
    """Do one thing and print its figures as JSON."""
    config = load_site(site, secrets=False)
    began, wall = time.process_time(), time.monotonic()
    events = 0
    if what in ("bare", "read"):
        count = (bare if what == "bare" else read)(path)
    else:
        count, events = replay(path, watch_of(config), 400_000 if what == "one by one" else None)
    print(json.dumps({
        "rows": count, "events": events, "cpu": time.process_time() - began,
        "wall": time.monotonic() - wall,
        "mb": peak_kib() / 1024,
    }))


def peak_kib() -> int:
    """Return the most memory this process had; what it was forked from does not count."""
    status = Path("/proc/self/status").read_text()
    return int(status.partition("VmHWM:")[2].split()[0])


def watch_of(config: SiteConfig) -> SiteMonitor:
    return SiteMonitor(plant=config.plant, settings=config.settings, step=config.step)


def site_of(scenario: str, folder: Path) -> Path:
    """Write the site file of a bundled plant that is polled as it is recorded."""
    story = load_scenario(scenario)
    lines = {s.id: f"tcp://127.0.0.1:{502 + n}" for n, s in enumerate(story.serve)}
    site = write_site(story, lines, folder)
    site.write_text(site.read_text().replace('every = "5 s"', f'every = "{EVERY // 1000} s"'))
    return site


def told(path: Path, site: Path, *, by_columns: bool) -> list[str]:
    """Return the events of a file as lines of JSON."""
    monitor, events = watch_of(load_site(site, secrets=False)), []
    last: int | None = None
    if by_columns:
        for columns in read_columns([path]):
            events += monitor.feed_columns(columns)
            last = int(columns.times[-1])
    else:
        for rows_read in read_recordings([path]):
            events += monitor.feed(readings_of_rows(rows_read))
            last = rows_read[-1][0]
    if last is not None:
        events += monitor.advance(last)
    return [event_to_json(event) for event in events]


def told_alike(scenario: str, days: int, folder: Path) -> list[str]:
    """Tell a plant both ways from both kinds of file; return the events.

    Raises ``AssertionError`` where they are not the same bytes, or none.
    """
    site = site_of(scenario, folder)
    paths = write(recorded(scenario, days), days, days, folder)
    first = told(paths[0], site, by_columns=True)
    assert first, "nothing happened"
    for path in paths:
        for by_columns in (True, False):
            assert told(path, site, by_columns=by_columns) == first, (path.name, by_columns)
    return first


def measured(what: str, path: Path, site: Path) -> float:
    """Do one thing in a process of its own, print its figures, return its rows/s of CPU."""
    done = subprocess.run(
        [sys.executable, "-m", __spec__.name, "--work", what, str(path), str(site)],
        capture_output=True, text=True, check=True)
    f = json.loads(done.stdout)
    print(f"{path.suffix[1:]:8} {what:12} {f['rows']:>11,} rows {f['rows'] / f['cpu']:>12,.0f}/s "
          f"of CPU, {f['rows'] / f['wall']:>12,.0f}/s by the wall, {f['mb']:>5.0f} MB at most"
          + (f", {f['events']:,} events" if f["events"] else ""), flush=True)
    return float(f["rows"] / f["cpu"])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--of", type=int, default=10, help="days that are recorded and repeated")
    parser.add_argument("--scenario", default="quiet-depot")
    parser.add_argument("--folder", type=Path, help="where the files go and stay")
    parser.add_argument("--work", nargs=3, metavar=("WHAT", "FILE", "SITE"), help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.work:
        work(options.work[0], Path(options.work[1]), Path(options.work[2]))
        return
    with tempfile.TemporaryDirectory(prefix="quietpipe-bench-") as made:
        folder = options.folder or Path(made)
        for name, days in FAULTY.items():
            with tempfile.TemporaryDirectory(prefix="quietpipe-told-") as told_in:
                events = told_alike(name, days, Path(told_in))
            print(f"events identical: yes ({len(events):,} of {days} days of {name}, by columns "
                  "and one by one, CSV and Parquet)", flush=True)
        site = site_of(options.scenario, folder)
        base = recorded(options.scenario, min(options.of, options.days))
        paths = write(base, options.days, min(options.of, options.days), folder)
        for path in paths:
            rate = {what: measured(what, path, site) for what in ("bare", "read", "replay")}
            print(f"{path.suffix[1:]:8} the library alone reads "
                  f"{rate['bare'] / rate['replay']:.1f} times as fast as the rules are replayed")
        single = measured("one by one", paths[1], site)
        print(f"         by columns {rate['replay'] / single:.1f} times as fast as one by one")


if __name__ == "__main__":
    main()
