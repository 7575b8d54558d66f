"""How fast a fleet's archive is re-run on a local cluster, beside one process doing it alone.

Some days of the bundled plant are recorded, laid end to end to a year, and archived once for each
site under an id of its own. One process re-runs some of the sites, one after the other; then a
cluster does them all. The events must be the same. Measured by the wall, starting the cluster
included, since that is what somebody waits for.

    python -m tests.benchmarks.bench_rerun                     (4 sites, 30 days each)
    python -m tests.benchmarks.bench_rerun --site-years 200    (200 sites, a year each, 60 s polls)
"""

from __future__ import annotations

import argparse
import hashlib
import os
import re
import shutil
import tempfile
import time
from collections.abc import Iterable
from pathlib import Path

from collector.fleet.archive import Archive
from collector.fleet.cluster import Cluster, WorkLost
from collector.fleet.rerun import Job, Rerun, jobs, rerun_site
from collector.recorded import read_columns
from simulators.scenario import load_scenario
from simulators.serving import write_site
from tests.benchmarks.bench_replay import recorded, tiled, write_tables

DAY = 86_400_000


def lay(folder: Path, scenario: str, sites: int, days: int, of: int, every: int) -> Path:
    """Write the archive of one site; every other has the same files under its own id."""
    plant = load_scenario(scenario)
    lines = {s.id: f"tcp://127.0.0.1:{502 + n}" for n, s in enumerate(plant.serve)}
    base = recorded(scenario, min(of, days), every)
    recording = folder / "year.parquet"
    write_tables(tiled(base, days, min(of, days)), recording)
    first = folder / "sites" / "site-0"
    first.mkdir(parents=True)
    template = write_site(plant, lines, first)
    text = template.read_text().replace('every = "5 s"', f'every = "{every // 1000} s"')
    archive = Archive(folder / "archive")
    archive.write("site-0", read_columns([recording]))
    recording.unlink()
    home = folder / "archive"
    for number in range(sites):
        place = folder / "sites" / f"site-{number}"
        if number:
            shutil.copytree(first, place)
            shutil.copytree(home / "site=site-0", home / f"site=site-{number}",
                            copy_function=os.link)
        (place / template.name).write_text(
            re.sub(r'(?m)^id = ".*"$', f'id = "site-{number}"', text, count=1))
    return home


def digest(results: Iterable[Rerun | WorkLost]) -> tuple[int, int, dict[str, str]]:
    """Return readings, events, and what each site's events come to."""
    readings = events = 0
    marks = {}
    for result in results:
        if isinstance(result, WorkLost) or result.error:
            raise SystemExit(f"not re-run: {result}")
        readings, events = readings + result.readings, events + len(result.lines)
        marks[result.site] = hashlib.sha256("\n".join(result.lines).encode()).hexdigest()
    return readings, events, marks


def alone(work: list[Job]) -> tuple[float, dict[str, str], int]:
    """Re-run sites one after the other; return seconds a site, marks, and readings a site."""
    began = time.monotonic()
    readings, events, marks = digest(rerun_site(job) for job in work)
    took = time.monotonic() - began
    print(f"one process:  {len(work):>4} sites {readings:>13,} readings {events:>9,} events "
          f"{took:>8.1f} s {readings / took:>11,.0f}/s", flush=True)
    return took / len(work), marks, readings // len(work)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--site-years", type=int, help="this many sites, a year each, at 60 s")
    parser.add_argument("--sites", type=int, default=4)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--every", type=int, default=60, help="seconds between polls")
    parser.add_argument("--of", type=int, default=10, help="days that are recorded and repeated")
    parser.add_argument("--alone", type=int, default=2, help="sites that one process re-runs")
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument("--scenario", default="quiet-depot")
    options = parser.parse_args()
    sites, days = options.sites, options.days
    if options.site_years:
        sites, days = options.site_years, 365
    with tempfile.TemporaryDirectory(prefix="quietpipe-bench-") as made:
        folder = Path(made)
        archive = lay(folder, options.scenario, sites, days, options.of, options.every * 1000)
        work = jobs(archive, folder / "sites")
        rerun_site(work[0])  # what is loaded once is loaded
        each, marks, a_site = alone(work[:options.alone])
        began = time.monotonic()
        with Cluster(workers=options.workers) as cluster:
            up = time.monotonic() - began
            readings, events, found = digest(cluster.map(rerun_site, work))
        took = time.monotonic() - began
        print(f"{options.workers} processes:  {sites:>4} sites {readings:>13,} readings "
              f"{events:>9,} events {took:>8.1f} s {readings / took:>11,.0f}/s, of which "
              f"{up:.1f} s to start", flush=True)
        same = all(found[site] == mark for site, mark in marks.items())
        print(f"{sites * days / 365:.1f} site-years of {a_site:,} readings a site; speed-up "
              f"{each * sites / took:.2f} on {os.cpu_count()} cores; events of "
              f"{len(marks)} sites {'the same' if same else 'NOT THE SAME'} as one by one")
        if not same:
            raise SystemExit(1)


if __name__ == "__main__":
    main()
