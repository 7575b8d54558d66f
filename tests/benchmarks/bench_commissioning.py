"""Commissions drawn controllers by their displays alone, and prints what came of each point.

Each runs on real Modbus TCP with a recorder on the wire and the whole dialogue before it.

Example:
  python -m tests.benchmarks.bench_commissioning --controllers 12

"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.commissioning.outcomes import commission


def main() -> None:
    """Print the table and its sums."""
    parser = argparse.ArgumentParser(description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--controllers", type=int, default=12)
    parser.add_argument("--from-seed", type=int, default=0)
    parser.add_argument("--speed", type=float, default=40.0, help="times as fast as real time")
    parser.add_argument("--search", action="store_true",
                        help="search all usual addresses, as without a register list")
    options = parser.parse_args()
    sums: Counter[tuple[str, str]] = Counter()
    for seed in range(options.from_seed, options.from_seed + options.controllers):
        began = time.monotonic()
        with tempfile.TemporaryDirectory() as folder:
            run = commission(seed, Path(folder), speed=options.speed, search=options.search)
        print(f"\ncontroller {seed}, {run.controller.style}: {run.questions} questions in "
              f"{run.seconds / 60:.0f} min, function codes {sorted(run.codes)}, shortest pause "
              f"{run.shortest:.2f} s, at most {run.most_a_second:g} in a second, {run.hangs} "
              f"hangs; {run.asked} questions to the technician; {time.monotonic() - began:.0f} s "
              "here")
        for row in run.rows:
            outlook = row.outlook.value if row.outlook else "-"
            sums[outlook, row.true] += 1
            print(f"  {row.point:<26} {' / '.join(row.shown):<36} {outlook:<8} {row.true:<6} "
                  f"{row.left:>2}  {row.best}{'; ' if row.others else ''}{row.others}", flush=True)
    print()
    for (outlook, true), count in sorted(sums.items()):
        print(f"{outlook:<8} {true:<6} {count}")


if __name__ == "__main__":
    main()
