"""The plant without a wire: recorded readings, as fast as they can be computed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

from collector.clock import format_instant
from simulators.scenario import Scenario
from simulators.sensors import Value
from simulators.stage import Stage

__all__ = ["record", "rows"]


def rows(stage: Stage, duration: int, every: int) -> Iterator[tuple[int, str, Value]]:
    """Yield time (ms), point and value every ``every`` ms for ``duration`` ms.

    Counts what a collector would have had: a point whose device is silent gives ``None``.
    """
    start = stage.scenario.plant.start
    read = stage.gauges.read
    points = stage.gauges.points
    for time in range(start, start + duration, every):
        stage.advance_to(time)
        for point in points:
            yield time, point, read(point)


def record(scenario: Scenario, out: TextIO, *, duration: int, every: int) -> int:
    """Write recorded readings as CSV; return the number of rows."""
    out.write("time,point,value\n")
    count, told, text = 0, -1, ""
    for time, point, value in rows(Stage(scenario), duration, every):
        if time != told:
            told, text = time, format_instant(time)
        out.write(f"{text},{point},{_shown(value)}\n")
        count += 1
    return count


def record_to(scenario: Scenario, path: Path, *, duration: int, every: int) -> int:
    """Write recorded readings to a file."""
    with path.open("w", encoding="utf-8", newline="\n") as out:
        return record(scenario, out, duration=duration, every=every)


def _shown(value: Value) -> str:
    if value is None:
        return ""
    return value if isinstance(value, str) else f"{value:.10g}"
