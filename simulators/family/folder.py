"""A drawn plant as a folder: SITE.toml, its profiles, readings.csv.gz and truth.json."""

from __future__ import annotations

import argparse
import dataclasses
import gzip
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from collector.clock import format_instant
from collector.domain.readings import MODES
from simulators.family import DrawnPlant, Recording, draw, simulate
from simulators.family.faults import FAULTS
from simulators.family.site import toml_text
from simulators.family.truth import QUANTITIES

__all__ = ["main", "truth_table", "write_plant", "write_readings", "write_site"]

_DAY = 86_400_000


def write_site(plant: DrawnPlant, folder: Path) -> Path:
    """Write the site file and its device profiles; return the site file's path."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in plant.profiles.items():
        (folder / name).write_text(text, encoding="utf-8")
    path = folder / "SITE.toml"
    path.write_text(toml_text(plant.site), encoding="utf-8")
    return path


def write_readings(recording: Recording, path: Path) -> int:
    """Write the rows as compressed CSV in the order they were received; return how many."""
    names = sorted(recording.points)
    sizes = [recording.points[n][0].size for n in names]
    which = np.repeat(np.arange(len(names)), sizes)
    times = np.concatenate([recording.points[n][0] for n in names])
    values = np.concatenate([recording.points[n][1] for n in names])
    received = np.concatenate([recording.received[n] for n in names])
    order = np.lexsort((which, received))
    # No file name and no date in the header: the same plant gives the same bytes.
    with path.open("wb") as raw, gzip.GzipFile("", "wb", 6, raw, mtime=0) as out:
        out.write(b"time,point,value\n")
        lines: list[str] = []
        written, text = -1, ""
        for k in order.tolist():
            time = int(times[k])
            if time != written:
                written, text = time, format_instant(time)
            lines.append(f"{text},{names[which[k]]},{_shown(names[which[k]], float(values[k]))}\n")
            if len(lines) == 20000:
                out.write("".join(lines).encode())
                lines.clear()
        out.write("".join(lines).encode())
    return int(order.size)


def _shown(point: str, value: float) -> str:
    if value != value:  # NaN
        return ""
    return MODES[int(value)] if point.endswith(".mode") else f"{value:.10g}"


def truth_table(recording: Recording) -> dict[str, Any]:
    """Return the truth as plain data: faults, what is allowed, daily means, purges."""
    truth, plant = recording.truth, recording.truth.plant
    assets = [*(u.id for u in plant.generators), *(r.id for r in plant.risers),
              *(r.vent.id for r in plant.risers if r.vent is not None)]
    daily: dict[str, dict[str, list[float | None]]] = {}
    for quantity in QUANTITIES:
        for asset in assets:
            try:
                daily.setdefault(quantity, {})[asset] = [
                    truth.mean(quantity, asset, t, t + _DAY)
                    for t in range(plant.start, plant.start + int(plant.days) * _DAY, _DAY)]
            except ValueError:
                continue  # not a quantity of that asset
    return {
        "seed": plant.seed, "days": plant.days, "fault": plant.fault, "start": plant.start,
        "structure": dict(plant.structure),
        "faults": [dataclasses.asdict(f) for f in truth.faults],
        "allowed": [dataclasses.asdict(a) for a in truth.allowed],
        "actions": recording.actions, "daily_means": daily,
        "purge_done": {r.vent.id: truth.purge_done(r.vent.id)
                       for r in plant.risers if r.vent is not None},
    }


def write_plant(recording: Recording, folder: Path) -> int:
    """Write everything into a folder; return the number of rows."""
    write_site(recording.truth.plant, folder)
    (folder / "truth.json").write_text(
        json.dumps(truth_table(recording), indent=1) + "\n", encoding="utf-8")
    return write_readings(recording, folder / "readings.csv.gz")


def main(arguments: Sequence[str]) -> int:
    """Run ``python -m simulators draw``; return the exit status."""
    parser = argparse.ArgumentParser(
        prog="python -m simulators draw", description="Draw a plant; write what it records.",
        epilog="example: python -m simulators draw 7 --days 7 --fault leak-high --to /tmp/plant")
    parser.add_argument("seed", type=int, metavar="SEED")
    parser.add_argument("--days", type=float, default=7.0, metavar="N")
    parser.add_argument("--fault", choices=sorted(FAULTS), metavar="CONDITION",
                        help="the id of a condition; without it the plant is healthy")
    parser.add_argument("--start", choices=("settled", "purge"), help="default: drawn")
    parser.add_argument("--to", type=Path, required=True, metavar="FOLDER")
    options = parser.parse_args(arguments)
    try:
        plant = draw(options.seed, days=options.days, fault=options.fault, start=options.start)
        count = write_plant(simulate(plant), options.to)
    except (ValueError, OSError) as error:
        print(f"simulators: {error}", file=sys.stderr)
        return 2
    print(f"{count} readings", file=sys.stderr)
    return 0
