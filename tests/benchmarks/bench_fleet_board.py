"""What the hub's board costs when one person may see very many sites.

    python -m tests.benchmarks.bench_fleet_board --sites 10000

Fills a group's file with sites and half a year of daily estimates, then times what a request does:
reading the fleet the first time, reading it again when a tenth has changed, and the five questions.
"""

from __future__ import annotations

import argparse
import resource
import sqlite3
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from collector.clock import SystemClock
from collector.fleet import Group
from collector.fleet.hub_message_handler import Counts, MessageHandler
from collector.fleet.hub_queries import QUESTIONS, answers_to
from collector.fleet.hub_reader import FleetReader, FleetView, Scope
from collector.fleet.hub_store import Batch, GroupStore, group_file
from tests.fleet.support import DAY, FakeSite, alarm, came, received

GROUP = "north"


def fill(folder: Path, sites: int, days: int) -> int:
    """Write the group's file; return the instant it is of."""
    now = SystemClock().now()
    handler = MessageHandler(Group(id=GROUP, events_prefix="q"), {}, Counts(), 45_000)
    store = GroupStore(group_file(folder, GROUP), GROUP)
    for n in range(sites):
        handler.handle(received(*FakeSite(f"s{n}").births(now)), now)
    store.keep(Batch(states=list(handler.states.values()), events=[
        came(1, alarm(f"s{n}", at=now)) for n in range(0, sites, 20)]), now)
    store.close()
    today = now // DAY
    with closing(sqlite3.connect(group_file(folder, GROUP))) as db:
        db.executemany("INSERT INTO estimates VALUES (?, ?, ?, ?, 1, ?, 1, 3, 'scfh', ?)", (
            (f"s{n}", quantity, asset, today - d, 2 + (n + d) % 7 / 10, now - d * DAY)
            for n in range(sites)
            for quantity, asset in (("leak-rate", "r1"), ("compressor-delivery", "gen1"))
            for d in range(days)))
        db.commit()
    return now


def timed(what: str, work: Callable[[], object]) -> None:
    began = time.perf_counter()
    work()
    print(f"{what:48} {1000 * (time.perf_counter() - began):8.0f} ms")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--sites", type=int, default=10_000)
    parser.add_argument("--days", type=int, default=180)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        now = fill(folder, options.sites, options.days)
        size = group_file(folder, GROUP).stat().st_size
        print(f"{options.sites} sites, {options.days} days, {size / 1e6:.0f} MB")
        store = GroupStore(group_file(folder, GROUP), GROUP)
        timed("every trend, once an hour, in the background",
              lambda: store.refresh_trends(now, lambda: True))
        store.close()
        reader = FleetReader(folder, [GROUP])
        timed("read for the first time", lambda: reader.facts(now))
        with closing(sqlite3.connect(group_file(folder, GROUP))) as db:
            tenth = [s for (s,) in db.execute("SELECT site FROM sites")][::10]
            db.executemany("UPDATE sites SET updated = ? WHERE site = ?",
                           [(now + 1, s) for s in tenth])
            db.commit()
        timed("read again, a tenth has changed", lambda: reader.facts(now + 3000))
        view = FleetView(reader.facts(now + 3000), Scope(allowed=lambda g, s: True, title="all"))
        for question in QUESTIONS:
            timed(question, lambda q=question: answers_to(q, view, now, None))  # type: ignore[misc]
        print(f"{'memory at most':48} "
              f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:8.0f} MB")
        reader.close()


if __name__ == "__main__":
    main()
