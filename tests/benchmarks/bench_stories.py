"""Figures of the bank of cases, printed: ``python -m tests.benchmarks.bench_stories``.

Every story is played by the bundled plant with the dice of many seeds, and the watch is held to
what the story says must, may and must not be raised, and its estimates to the plant's own books.
Seeds 1 to 99 are for tuning; those from 1001 on are for the figures and are looked at by nobody who
tunes.

Examples:
  python -m tests.benchmarks.bench_stories --quick
  python -m tests.benchmarks.bench_stories --stories 'leak-*' --count 5 --fails
  python -m tests.benchmarks.bench_stories --seeds figures --jobs 2

"""

from __future__ import annotations

import argparse
import fnmatch
import pickle
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

from collector.domain.readings import QUANTITIES
from tests.benchmarks.cases import BANK
from tests.benchmarks.cases.score import Scored, score
from tests.benchmarks.cases.shape import Case, Story
from tests.benchmarks.cases.tables import tables

__all__ = ["chosen", "main", "play_all", "tasks", "work"]

_FIRST = {"tuning": 1, "figures": 1001}


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", choices=tuple(_FIRST), default="tuning")
    parser.add_argument("--count", type=int, default=None,
                        help="seeds of each story (default 20; 5 while tuning)")
    parser.add_argument("--seed", type=int, action="append", help="this seed alone (repeatable)")
    parser.add_argument("--stories", default="*", metavar="GLOB",
                        help="names, with * and ?; several with commas")
    parser.add_argument("--condition", help="only stories that ask for or forbid this condition")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="short stories, two seeds each")
    parser.add_argument("--fails", action="store_true", help="list every failure by itself")
    parser.add_argument("--each", action="store_true", help="one line for each case as it is done")
    parser.add_argument("--texts", action="store_true", help="with the messages of false alarms")
    parser.add_argument("--by-story", action="store_true", help="quantities by story as well")
    parser.add_argument("--keep", type=Path, metavar="FILE", help="keep the marks for --show")
    parser.add_argument("--show", type=Path, metavar="FILE", action="append",
                        help="print the tables of kept marks (repeatable) and play nothing")
    parser.add_argument("--list", action="store_true", help="list the stories and end")
    return parser.parse_args(arguments)


def chosen(globs: str, condition: str | None = None, *, quick: bool = False) -> list[Story]:
    """Return the stories whose names match, and that have to do with ``condition``."""
    found = [s for s in BANK.values()
             if any(fnmatch.fnmatch(s.name, g.strip()) for g in globs.split(","))
             and not (quick and s.long)]
    if condition:
        found = [s for s in found if _concerns(s, condition)]
    return found


def _concerns(story: Story, condition: str) -> bool:
    case = story.case(1)
    return any(x.condition == condition for x in (*case.expects, *case.never)) or any(
        m.quantity == condition for m in case.measures)


def tasks(stories: Sequence[Story], seeds: Sequence[int]) -> list[tuple[str, int]]:
    """Return (story, seed) pairs, those that take longest first."""
    pairs = [(s.name, seed) for s in stories for n, seed in enumerate(seeds) if n < s.most]
    weights = {s.name: work(s) for s in stories}
    return sorted(pairs, key=lambda p: -weights[p[0]])


def work(story: Story) -> float:
    """Return how many readings a story has, more or less."""
    case = story.case(1)
    points = {d.id: sum(len(QUANTITIES[_kind(case, w)]) for w in d.watches) for d in case.devices}
    return sum(case.duration / d.every * points[d.id] for d in case.devices)


def _kind(case: Case, thing: str) -> str:
    for group, kind in (("generators", "generator"), ("risers", "riser"), ("vents", "vent")):
        if any(t["id"] == thing for t in case.tables[group]):
            return kind
    return "room"


def play_all(pairs: Sequence[tuple[str, int]], jobs: int) -> Iterator[Scored]:
    """Yield every case's marks, in the order they are done."""
    if jobs <= 1:
        for name, seed in pairs:
            yield score(name, seed)
        return
    with ProcessPoolExecutor(max_workers=jobs) as pool:
        for future in as_completed([pool.submit(score, *pair) for pair in pairs]):
            yield future.result()


def main(arguments: Sequence[str] | None = None) -> int:
    """Play, and print the tables."""
    options = _options(arguments)
    if options.show:
        kept = [s for path in options.show for s in pickle.loads(path.read_bytes())]  # noqa: S301
        print(tables(sorted(kept, key=lambda s: (s.story, s.seed)), fails=options.fails,
                     texts=options.texts, by_story=options.by_story))
        return 0
    stories = chosen(options.stories, options.condition, quick=options.quick)
    if options.list:
        for s in stories:
            print(f"{s.name:34} {s.family:12} {s.text.splitlines()[0]}")
        return 0
    if not stories:
        print("no story has such a name", file=sys.stderr)
        return 2
    count = options.count or (2 if options.quick else 20 if options.seeds == "figures" else 5)
    first = _FIRST[options.seeds]
    seeds = options.seed or list(range(first, first + count))
    pairs = tasks(stories, seeds)
    began = time.monotonic()
    done: list[Scored] = []
    for scored in play_all(pairs, options.jobs):
        done.append(scored)
        if options.each:
            print(_line(scored), file=sys.stderr, flush=True)
        else:
            _progress(len(done), len(pairs), scored, began)
    done.sort(key=lambda s: (s.story, s.seed))
    if options.keep:
        options.keep.write_bytes(pickle.dumps(done))
    print(tables(done, fails=options.fails, texts=options.texts, by_story=options.by_story))
    _cost(done, time.monotonic() - began, options.jobs)
    return 0


def _line(scored: Scored) -> str:
    head = (f"{scored.story} --seed {scored.seed}: {scored.plant_seconds:.1f} + "
            f"{scored.watch_seconds:.1f} s")
    return "\n    ".join([head, *scored.failures])


def _progress(done: int, of: int, scored: Scored, began: float) -> None:
    if sys.stderr.isatty():
        print(f"\r{done}/{of} {time.monotonic() - began:.0f} s {scored.story:40}", end="",
              file=sys.stderr, flush=True)
        if done == of:
            print(file=sys.stderr)


def _cost(done: Sequence[Scored], wall: float, jobs: int) -> None:
    readings = sum(s.readings for s in done)
    plant = sum(s.plant_seconds for s in done)
    monitor = sum(s.watch_seconds for s in done)
    print(f"\n{len(done)} cases of {len({s.story for s in done})} stories, "
          f"{sum(s.days for s in done) / 365.25:.1f} site-years, {readings / 1e6:.1f} million "
          f"readings; {wall / 60:.1f} min with {jobs} jobs (plant {plant:.0f} s, watch "
          f"{monitor:.0f} s: {readings / max(monitor, 1e-9) / 1000:.0f} thousand readings/s)")


if __name__ == "__main__":
    sys.exit(main())
