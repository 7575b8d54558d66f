"""Figures on plants that are drawn by chance: ``python -m tests.benchmarks.bench_cases``.

Healthy plants show false alarms and the errors of the estimates, plants with one fault each show
what is found and how soon; tables per structure follow. Seeds 1 to 99999 are for tuning; those from
100001 on are for the figures and are looked at by nobody who tunes. A run that is broken off goes
on where it stopped when it is given the same ``--keep``.

Examples:
  python -m tests.benchmarks.bench_cases --plants 20 --days 10 --per-fault 0 --texts 2
  python -m tests.benchmarks.bench_cases --plants 0 --faults 'leak-*' --per-fault 10
  python -m tests.benchmarks.bench_cases --seeds figures --jobs 2 --keep figures.jsonl

"""

from __future__ import annotations

import argparse
import dataclasses
import fnmatch
import json
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

from simulators.family import FAULTS
from tests.benchmarks.drawn.play import Alarmed, Marks, Sample, Task, play
from tests.benchmarks.drawn.tables import tables

__all__ = ["main"]

_FIRST = {"tuning": 1, "figures": 100_001}
_LONG = {"compressor-weak": 40.0, "leak-growing": 40.0, "tank-leak": 30.0, "leak-high": 20.0,
         "oxygen-rising": 30.0, "oxygen-not-falling": 20.0, "purge-blocked": 20.0,
         "compressor-overduty": 20.0, "vent-stuck-open": 20.0, "vent-stuck-closed": 20.0,
         "oxygen-sensor-suspect": 20.0, "data-frozen": 20.0, "compressor-long-run": 20.0}
"""Days of a plant with a fault that shows slowly; the others get ten."""
_SHORT = 10.0


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", choices=tuple(_FIRST), default="tuning")
    parser.add_argument("--plants", type=int, default=200, metavar="N", help="healthy plants")
    parser.add_argument("--days", type=float, default=60.0, help="of each healthy plant")
    parser.add_argument("--start", choices=("settled", "purge"), help="of every plant")
    parser.add_argument("--faults", default="*", metavar="GLOB",
                        help="conditions, with * and ?; several with commas")
    parser.add_argument("--per-fault", type=int, default=40, metavar="N")
    parser.add_argument("--fault-days", type=float, metavar="DAYS",
                        help="of every plant with a fault (default: as the fault needs)")
    parser.add_argument("--from-seed", type=int, metavar="SEED", help="the first seed")
    parser.add_argument("--seed", type=int, action="append",
                        help="healthy plants of these seeds alone (repeatable)")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--keep", type=Path, metavar="FILE",
                        help="keep the marks here, one line a plant, and go on with them")
    parser.add_argument("--show", type=Path, action="append", metavar="FILE",
                        help="print the tables of kept marks (repeatable) and play nothing")
    parser.add_argument("--texts", type=int, default=0, metavar="N",
                        help="show up to so many messages of each kind of false alarm")
    return parser.parse_args(arguments)


def _tasks(options: argparse.Namespace) -> list[Task]:
    """Return what to play, those that take longest first."""
    first = options.from_seed or _FIRST[options.seeds]
    seeds = options.seed or range(first, first + options.plants)
    tasks = [Task(seed=s, days=options.days, start=options.start) for s in seeds]
    globs = [g.strip() for g in options.faults.split(",")]
    for fault in sorted(FAULTS):
        if any(fnmatch.fnmatch(fault, g) for g in globs):
            days = options.fault_days or _LONG.get(fault, _SHORT)
            # Seeds apart from the healthy plants'.
            tasks += [Task(seed=first + 20_000 + n, days=days, fault=fault)
                      for n in range(0 if options.seed else options.per_fault)]
    return sorted(tasks, key=lambda t: -t.days)


def _played(tasks: Sequence[Task], jobs: int) -> Iterator[Marks]:
    if jobs <= 1:
        yield from map(play, tasks)
        return
    with ProcessPoolExecutor(max_workers=jobs, max_tasks_per_child=1) as pool:
        for future in as_completed([pool.submit(play, task) for task in tasks]):
            yield future.result()


def _line(marks: Marks) -> str:
    return json.dumps(dataclasses.asdict(marks), separators=(",", ":"))


def _marks(line: str) -> Marks:
    row: dict[str, Any] = json.loads(line)
    return Marks(**{
        **row, "task": Task(**row["task"]), "wrong": [Alarmed(**w) for w in row["wrong"]],
        "samples": [Sample(**s) for s in row["samples"]]})


def _kept(path: Path) -> list[Marks]:
    """Return the marks of a file; a last line that was broken off is left out."""
    if not path.exists():
        return []
    return [_marks(line) for line in path.read_text().split("\n")[:-1]]


def main(arguments: Sequence[str] | None = None) -> int:
    """Play, and print the tables."""
    options = _options(arguments)
    if options.show:
        print(tables([m for path in options.show for m in _kept(path)], texts=options.texts))
        return 0
    done = _kept(options.keep) if options.keep else []
    tasks = _tasks(options)
    wanted = set(tasks)
    done = [m for m in done if m.task in wanted]
    waiting = [t for t in tasks if t not in {m.task for m in done}]
    began = time.monotonic()
    if options.keep:
        options.keep.write_text("".join(_line(m) + "\n" for m in done))
    for marks in _played(waiting, options.jobs):
        done.append(marks)
        if options.keep:
            with options.keep.open("a") as out:
                out.write(_line(marks) + "\n")
        print(f"{len(done)}/{len(tasks)} {time.monotonic() - began:.0f} s: seed "
              f"{marks.task.seed} {marks.task.fault or 'healthy'} {marks.fault} "
              f"{len(marks.wrong)} false", file=sys.stderr, flush=True)
    print(tables(sorted(done, key=lambda m: (m.task.fault or "", m.task.seed)),
                 texts=options.texts))
    return 0


if __name__ == "__main__":
    sys.exit(main())
