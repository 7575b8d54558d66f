"""The plant's own books of one thing at a time, kept while a case is played.

Amounts are in mol, cumulative, so that what passed in any window is a difference; the estimators
never see them.
"""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Callable
from itertools import pairwise

from simulators.plant import Plant
from simulators.units import PSI

__all__ = ["Ledger"]


class Ledger:
    """Columns by name (``r1.leaked``), one row whenever :meth:`note` was called."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self._columns: dict[str, Callable[[], float]] = {}
        for name, unit in plant.generators.items():
            tally = unit.totals
            self._columns |= {
                f"{name}.drawn": lambda t=tally: t.drawn,
                f"{name}.gave": lambda t=tally: t.gave,
                f"{name}.gave_nitrogen": lambda t=tally: t.gave_nitrogen,
                f"{name}.run_nitrogen": lambda t=tally: t.run_nitrogen,
                f"{name}.run": lambda u=unit: u.run_seconds,
                f"{name}.starts": lambda u=unit: float(u.starts),
            }
        for name, pipe in plant.risers.items():
            self._columns |= {
                f"{name}.drawn": lambda p=pipe: p.drawn,
                f"{name}.leaked": lambda p=pipe: p.leaked,
                f"{name}.held": lambda p=pipe: p.total,
                f"{name}.temperature": lambda p=pipe: p.temperature,
                f"{name}.pressure": lambda p=pipe: p.gauge / PSI,
                f"{name}.far": lambda p=pipe: 100 * p.far_oxygen,
                f"{name}.mean": lambda p=pipe: 100 * p.oxygen_total / p.total,
            }
        for name, vent in plant.vents.items():
            self._columns[f"{name}.vented"] = lambda v=vent: v.vented
        self._times = array("q")
        self._rows = {name: array("d") for name in self._columns}

    def __repr__(self) -> str:
        return f"Ledger({len(self._times)} rows of {len(self._rows)} columns)"

    def note(self) -> None:
        """Write a row for the plant's own time."""
        if self._times and self._times[-1] == self._plant.time:
            return
        self._times.append(self._plant.time)
        for name, read in self._columns.items():
            self._rows[name].append(read())

    def at(self, name: str, time: int) -> float:
        """Return a column at an instant (ms), between rows in proportion."""
        rows, times = self._rows[name], self._times
        i = bisect_left(times, time)
        if i == 0 or i == len(times):
            return rows[min(i, len(times) - 1)]
        share = (time - times[i - 1]) / (times[i] - times[i - 1])
        return rows[i - 1] + share * (rows[i] - rows[i - 1])

    def passed(self, name: str, start: int, end: int) -> float:
        """Return what a cumulative column grew by."""
        return self.at(name, end) - self.at(name, start)

    def mean(self, name: str, start: int, end: int) -> float:
        """Return the mean of a column's rows in a window (its value at the middle if there are
        none)."""
        i, j = bisect_left(self._times, start), bisect_left(self._times, end)
        rows = self._rows[name][i:j]
        return sum(rows) / len(rows) if rows else self.at(name, (start + end) // 2)

    def above(self, name: str, limit: float, start: int, end: int) -> float:
        """Return the integral of what a column exceeds ``limit`` by, in its unit times days.

        Between rows in straight lines, and to the very ends of the window: the first minutes of a
        purge hold more than its last day.
        """
        i, j = bisect_right(self._times, start), bisect_left(self._times, end)
        points = [(start, self.at(name, start)),
                  *zip(self._times[i:j], self._rows[name][i:j], strict=True),
                  (end, self.at(name, end))]
        over = [(time, max(value - limit, 0.0)) for time, value in points]
        return sum((a + b) / 2 * (until - since)
                   for (since, a), (until, b) in pairwise(over)) / 86_400_000

    def first_below(self, name: str, limit: float) -> int | None:
        """Return when a column first was at or below ``limit``."""
        for time, value in zip(self._times, self._rows[name], strict=True):
            if value <= limit:
                return time
        return None
