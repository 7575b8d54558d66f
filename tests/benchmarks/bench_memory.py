"""Memory of the daemon over time: a plateau or a leak?

``python -m tests.benchmarks.bench_memory --minutes 12 --speed 360 [--trace | --trim]``

Runs the demo's daemon, sped up, and prints what the system says of it (``smaps_rollup``) beside the
simulated hours, with what the allocator holds in use and free (glibc's mallinfo2, main arena) and
what SQLite holds, and the slope of each quarter. With ``--trace`` what Python allocated is counted
too (tracemalloc: the process is larger and slower then), and the places that grew are named.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

_PROGRAM = """
import gc, json, os, sys, threading, time, tracemalloc
trace = sys.argv.pop(1) == "trace"
if trace:
    tracemalloc.start(1)
out, began, first = open(sys.argv.pop(1), "w"), time.monotonic(), None

import ctypes, ctypes.util
libc, sqlite = ctypes.CDLL(None), ctypes.CDLL(ctypes.util.find_library("sqlite3"))
class Heap(ctypes.Structure):
    _fields_ = [(n, ctypes.c_size_t) for n in "arena ordblks smblks hblks hblkhd usmblks fsmblks "
                "uordblks fordblks keepcost".split()]
libc.mallinfo2.restype, sqlite.sqlite3_memory_used.restype = Heap, ctypes.c_longlong
every = float(sys.argv.pop(1))

def look():
    global first
    while True:
        time.sleep(every)
        sizes = dict(l.split(":") for l in open("/proc/self/smaps_rollup").readlines()[1:])
        kb = {k: int(v.split()[0]) for k, v in sizes.items() if k in ("Rss", "Anonymous")}
        row = {"s": time.monotonic() - began, **kb, "blocks": sys.getallocatedblocks(),
               "threads": threading.active_count(), "files": len(os.listdir("/proc/self/fd"))}
        if os.environ.get("TRIM"):
            libc.malloc_trim(0)
        heap = libc.mallinfo2()
        row |= {"heap_used": (heap.uordblks + heap.hblkhd) // 1024,
                "heap_free": heap.fordblks // 1024,
                "sqlite": sqlite.sqlite3_memory_used() // 1024}
        if trace:
            gc.collect()
            now = tracemalloc.take_snapshot()
            row["traced"] = tracemalloc.get_traced_memory()[0] // 1024
            if first is not None:
                row["grew"] = [(str(d.traceback), d.size_diff // 1024)
                               for d in now.compare_to(first, "lineno")[:12]]
            if first is None and row["s"] > 150:
                first = now
        print(json.dumps(row), file=out, flush=True)

threading.Thread(target=look, daemon=True).start()
from collector.cli import main
sys.exit(main(["demo", *sys.argv[1:]]))
"""


def slope(rows: list[dict[str, float]], key: str) -> float:
    """Return the least-squares slope in kB per s."""
    n = len(rows)
    if n < 2:
        return float("nan")
    xs, ys = [r["s"] for r in rows], [r[key] for r in rows]
    mx, my = sum(xs) / n, sum(ys) / n
    return sum((x - mx) * (y - my) for x, y in zip(xs, ys, strict=True)) \
        / sum((x - mx) ** 2 for x in xs)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=12)
    parser.add_argument("--speed", type=float, default=360)
    parser.add_argument("--trace", action="store_true")
    parser.add_argument("--trim", action="store_true",
                        help="return free memory to the system before each look")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rows"
        child = subprocess.Popen(
            [sys.executable, "-c", _PROGRAM, "trace" if options.trace else "plain", str(path),
             "10", "--speed", str(options.speed)], stdout=subprocess.DEVNULL,
            env={**os.environ, **({"TRIM": "1"} if options.trim else {}),
                 "PYTHONPATH": str(Path(__file__).resolve().parents[2])})
        end = time.monotonic() + options.minutes * 60
        while time.monotonic() < end and child.poll() is None:
            time.sleep(1)
        child.send_signal(signal.SIGINT)
        child.wait(60)
        rows = [json.loads(line) for line in path.read_text().splitlines()]
    for row in rows[::max(len(rows) // 24, 1)]:
        print(f"{row['s'] / 60:6.1f} min  {row['s'] * options.speed / 3600:7.1f} h simulated  "
              f"RSS {row['Rss'] / 1024:6.1f} MB  anonymous {row['Anonymous'] / 1024:6.1f} MB  "
              f"heap used {row['heap_used'] / 1024:6.1f} free {row['heap_free'] / 1024:5.1f} MB  "
              f"SQLite {row['sqlite'] / 1024:5.1f} MB  files {row['files']:3d}"
              + (f"  traced {row['traced'] / 1024:6.1f} MB" if "traced" in row else ""))
    quarter = len(rows) // 4
    for number in range(4):
        part = rows[number * quarter:(number + 1) * quarter]
        kb = slope(part, "traced" if options.trace else "Anonymous")
        print(f"quarter {number + 1}: {kb * 3600 / 1024:+7.2f} MB an hour of running, "
              f"{kb * 86400 / options.speed / 1024:+7.3f} MB a simulated day")
    for place, kb in rows[-1].get("grew", ()):
        print(f"{kb:+7d} kB  {place}")


if __name__ == "__main__":
    main()
