"""How fast a fleet's archive is re-run on a local cluster, beside one process doing it alone.

Small sites of three kinds, each archived for a year: most known by their contacts, polled each
minute or each five minutes, some with two pressures. What is archived is recorded at the bundled
plant under several seeds; each site begins at another hour of it, and every fourth has an hour of
trouble each time round. One process re-runs every site, one after the other; then a cluster does
the same. The events of every site must be the same, line by line. Measured by the wall, starting
the cluster included, since that is what somebody waits for; processor time beside it, since a
shared machine makes the wall tell little.

    python -m tests.benchmarks.bench_rerun                     (10 sites, 60 days each)
    python -m tests.benchmarks.bench_rerun --site-years 200    (200 sites, a year each)
"""

from __future__ import annotations

import argparse
import hashlib
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy
from numpy.typing import NDArray

from collector.commands.fleet import Cluster, WorkLost
from collector.domain.readings import MODES, Columns
from collector.fleet.archive import Archive
from collector.fleet.rerun import Job, Rerun, jobs, rerun_site
from simulators.record import rows
from simulators.scenario import load_scenario
from simulators.stage import Stage

DAY = 86_400_000
SCENARIO = "quiet-depot"
OF = 7
"""Days that are recorded and repeated."""
SEEDS = 4


@dataclass(frozen=True, slots=True)
class Kind:
    """Sites of a sort: how often they are polled (ms), for what; how many in twenty."""

    name: str
    every: int
    points: tuple[str, ...]
    share: int


CONTACTS = ("gen1.compressor_running", "gen1.mode", "gen1.trouble", "gen1.power")
PRESSURES = ("gen1.tank_pressure", "gen1.compressor_running", "r1.pressure")
KINDS = (
    Kind("contacts each minute", 60_000, CONTACTS, 16),
    Kind("contacts each 5 min", 300_000, CONTACTS, 2),
    Kind("pressures each 5 min", 300_000, PRESSURES, 2),
)
LOOKS = {
    "mode": 'table = "holding-registers"\ntype = "uint16"\n'
            'values = { 0 = "off", 1 = "nitrogen", 2 = "air-fill" }',
    "tank_pressure": 'table = "input-registers"\ntype = "int16"\nscale = 0.1\nunit = "psi"',
    "pressure": 'table = "input-registers"\ntype = "int16"\nscale = 0.1\nunit = "psi"',
}
SITE = """[site]
id = "{site}"
timezone = "Europe/London"

[[generators]]
id = "gen1"
tank_volume = "60 gal"
cut_in = "60 psi"
cut_out = "80 psi"
air_fill_below = "55 psi"

[[risers]]
id = "r1"
fed_by = "gen1"
volume = "450 gal"
supervisory_pressure = "25 psi"
low_pressure = "18 psi"
high_pressure = "40 psi"

[[devices]]
id = "controller"
address = "tcp://127.0.0.1:502"
unit = 1
profile = "profile.toml"
every = "{every} s"
watches = ["gen1", "r1"]
"""


# -- the archive ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Piece:
    """One site to be laid down."""

    folder: Path
    number: int
    days: int

    @property
    def site(self) -> str:
        """Its id."""
        return f"site-{self.number:03}"

    @property
    def kind(self) -> Kind:
        """What sort of site it is."""
        place = self.number % sum(k.share for k in KINDS)
        for kind in KINDS:
            if place < kind.share:
                return kind
            place -= kind.share
        raise AssertionError(place)


@lru_cache
def recorded(seed: int, kind: Kind) -> tuple[int, NDArray[numpy.float64]]:
    """Return the first instant (ms) and ``OF`` days of a plant: a row a poll, a column a point."""
    stage = Stage(load_scenario(SCENARIO, seed=seed))
    told = [v for _, p, v in rows(stage, OF * DAY, kind.every) if p in kind.points]
    flat = [float(MODES.index(v)) if isinstance(v, str) else numpy.nan if v is None else float(v)
            for v in told]
    stage = Stage(load_scenario(SCENARIO, seed=seed))
    order = [p for _, p, _ in rows(stage, kind.every, kind.every) if p in kind.points]
    table = numpy.array(flat).reshape(-1, len(kind.points))
    return stage.scenario.plant.start, table[:, [order.index(p) for p in kind.points]]


def lay(piece: Piece) -> int:
    """Write a site's file, its profile and its archive; return its readings."""
    kind, count = piece.kind, 0
    home = piece.folder / "sites" / piece.site
    home.mkdir(parents=True)
    (home / "site.toml").write_text(SITE.format(site=piece.site, every=kind.every // 1000))
    (home / "profile.toml").write_text('[profile]\nname = "Small"\n' + "".join(
        f'\n[[points]]\nquantity = "{q}"\naddress = {n}\n'
        + LOOKS.get(q, 'table = "discrete-inputs"\ntype = "bit"') + "\n"
        for n, q in enumerate(p.partition(".")[2] for p in kind.points)))

    def counted() -> Iterator[Columns]:
        nonlocal count
        for columns in told(piece):
            count += len(columns)
            yield columns

    Archive(piece.folder / "archive").write(piece.site, counted())
    return count


def told(piece: Piece) -> Iterator[Columns]:
    """Yield a site's readings, a week at a time."""
    kind = piece.kind
    start, table = recorded(piece.number % SEEDS, kind)
    table = table.copy()
    if piece.number % 4 == 0:
        trouble(table, kind)
    points = numpy.arange(len(kind.points), dtype=numpy.int32)
    polls = piece.days * DAY // kind.every
    begin = piece.number * 3_600_000 // kind.every
    for first in range(0, polls, len(table)):
        frames = numpy.arange(first, min(first + len(table), polls))
        values = table[(frames + begin) % len(table)].ravel()
        yield Columns(
            names=list(kind.points), times=numpy.repeat(start + frames * kind.every, len(points)),
            points=numpy.tile(points, len(frames)), values=values, good=~numpy.isnan(values))


def trouble(table: NDArray[numpy.float64], kind: Kind) -> None:
    """Let the compressor run for an hour, and a riser be low where one is read."""
    hour = slice(30 * 3_600_000 // kind.every, 31 * 3_600_000 // kind.every)
    table[hour, kind.points.index("gen1.compressor_running")] = 1.0
    if "r1.pressure" in kind.points:
        table[hour, kind.points.index("r1.pressure")] = 17.0


# -- the two ways --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Timed:
    """What came of a site, and the processor time (s) that it took."""

    result: Rerun
    cpu: float


def timed(job: Job) -> Timed:
    """Re-run a site."""
    began = time.process_time()
    return Timed(rerun_site(job), time.process_time() - began)


@dataclass(slots=True)
class Leg:
    """One way of doing it all: figures, and the mark of each site's events."""

    readings: int = 0
    events: int = 0
    cpu: float = 0.0
    marks: dict[str, str] = field(default_factory=dict)
    took: float = 0.0

    def take(self, found: Iterable[Timed | WorkLost]) -> Leg:
        """Take in what came of the sites."""
        for one in found:
            if isinstance(one, WorkLost) or one.result.error:
                raise SystemExit(f"not re-run: {one}")
            lines = one.result.lines
            self.readings, self.events = self.readings + one.result.readings, \
                self.events + len(lines)
            self.cpu += one.cpu
            self.marks[one.result.site] = hashlib.sha256("\n".join(lines).encode()).hexdigest()
        return self

    def say(self, who: str, more: str = "") -> None:
        """Print the figures."""
        print(f"{who} {self.readings:>13,} readings {self.events:>9,} events {self.took:>8.1f} s "
              f"{self.readings / self.took:>11,.0f}/s; {self.cpu:>8.1f} s of processor in the "
              f"rules{more}", flush=True)


def alone(work: list[Job], progress: Callable[[int, int], None]) -> Leg:
    """Re-run every site in this process, one after the other."""
    def one_by_one() -> Iterator[Timed]:
        for number, job in enumerate(work, 1):
            yield timed(job)
            progress(number, len(work))

    began = time.monotonic()
    leg = Leg().take(one_by_one())
    leg.took = time.monotonic() - began
    return leg


def spread(
    work: list[Job], workers: int, progress: Callable[[int, int], None],
) -> tuple[Leg, float]:
    """Re-run every site on a cluster; return also how long it took to start (s)."""
    began = time.monotonic()
    with Cluster(workers=workers) as cluster:
        up = time.monotonic() - began
        leg = Leg().take(cluster.map(timed, work, progress))
    leg.took = time.monotonic() - began
    return leg, up


class Progress:
    """Says now and then on stderr how far it is."""

    def __init__(self, what: str) -> None:
        self._what, self._began, self._said = what, time.monotonic(), 0.0

    def __call__(self, done: int, total: int) -> None:
        now = time.monotonic()
        if done == total or now - self._said >= 15:
            self._said = now
            print(f"  {self._what}: {done} of {total}, {now - self._began:.0f} s", file=sys.stderr,
                  flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--site-years", type=int, help="this many sites, a year each")
    parser.add_argument("--sites", type=int, default=10)
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args()
    sites, days = options.sites, options.days
    if options.site_years:
        sites, days = options.site_years, 365
    with tempfile.TemporaryDirectory(prefix="quietpipe-bench-") as made:
        folder = Path(made)
        pieces = [Piece(folder, number, days) for number in range(sites)]
        with Cluster(workers=options.workers) as cluster:
            for count in cluster.map(lay, pieces, Progress("archived")):
                if isinstance(count, WorkLost):
                    raise SystemExit(f"not archived: {count}")
        for kind in KINDS:
            print(f"{sum(p.kind == kind for p in pieces):>4} sites, {kind.name}", flush=True)
        work = jobs(folder / "archive", folder / "sites")
        rerun_site(work[0])  # what is loaded once is loaded
        one = alone(work, Progress("one by one"))
        one.say("one process: ")
        many, up = spread(work, options.workers, Progress("on the cluster"))
        many.say(f"{options.workers} workers:   ", f"; {up:.1f} s to start")
        differ = sorted(s for s, mark in one.marks.items() if many.marks.get(s) != mark)
        same = not differ and len(one.marks) == len(many.marks) == sites
        print(f"{sites * days / 365:.1f} site-years; speed-up {one.took / many.took:.2f} on "
              f"{os.cpu_count()} cores; same events: {'yes' if same else 'NO'}"
              f" ({sites} sites compared, {one.events:,} events)")
        if not same:
            print(f"not the same: {', '.join(differ)}")
            raise SystemExit(1)


if __name__ == "__main__":
    main()
