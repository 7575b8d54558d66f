"""The readings of one step for its evaluator: good samples, gaps, silence, clock jumps."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Protocol

from collector.domain.plant import Plant
from collector.domain.readings import Reading
from collector.domain.units import duration_text
from collector.survey.parts import SiteUnits

Sample = tuple[int, float]
"""Time in ms since 1970 UTC, value in the unit of record."""

Number = tuple[int, float | None]
"""The same of any reading: ``None`` where the value is missing or not valid."""


class History(Protocol):
    """The part of the journal that the service reads."""

    def numbers(self, point: str, start: int, end: int) -> Sequence[Number]:
        """Return time (ms) and value of each reading from ``start`` to ``end`` (excluded).

        In time order; ``None`` is a value that is not good.
        """

    def readings(
        self, points: Sequence[str] | None, start: int | None, end: int | None,
    ) -> Iterable[Reading]:
        """Return readings from ``start`` to ``end`` (ms, excluded) in time order."""

    def clock_sets(self, after: int) -> Sequence[int]:
        """Return the instants (ms) at which the clock was set, by events after that number."""

    def last_event(self) -> int:
        """Return the number of the newest event."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepReadings:
    """The readings of a step. ``began``, ``now`` and ``longest_gap`` are ms.

    ``numbers`` hold the readings of each point from ``began`` on, in time order; ``whys`` the
    reason of its newest reading that is not good; ``jumps`` the instants at which the collector's
    clock was found set since.
    """

    plant: Plant
    began: int
    now: int
    longest_gap: int
    numbers: Mapping[str, Sequence[Number]] = field(default_factory=dict)
    whys: Mapping[str, str] = field(default_factory=dict)
    jumps: Sequence[int] = ()
    typed: Mapping[str, str] = field(default_factory=dict)

    @property
    def words(self) -> SiteUnits:
        return SiteUnits(self.plant.site)

    def samples(self, point: str) -> list[Sample]:
        return [(time, value) for time, value in self.numbers.get(point, ())
                if value is not None and time >= self.began]

    def at(self, point: str, time: int) -> float | None:
        """Return the newest good sample at or before ``time``, not older than the longest gap."""
        found = self.samples(point)
        i = bisect_left(found, (time + 1, float("-inf")))
        if i and time - found[i - 1][0] <= self.longest_gap:
            return found[i - 1][1]
        return None

    def silent(self, *points: str) -> str:
        """Return a sentence when one of the points has no recent reading; empty otherwise."""
        for point in points:
            found = self.samples(point)
            last = found[-1][0] if found else self.began
            if self.now - last > self.longest_gap:
                why = self.whys.get(point, "")
                since = f"for {duration_text(self.now - last)}"
                return f"No reading of {point} {since}" + (f": {why}." if why else ".")
        return ""

    def clock_set(self) -> str:
        """Return a sentence when the clock was set since the step began; empty otherwise."""
        if self.now < self.began:
            return ("The collector's clock was set back to before the start of this step. Start "
                    "again.")
        if self.jumps:
            return "The collector's clock was set while this was timed. Start again."
        return ""

    def paired(self, first: str, other: str) -> Iterator[tuple[int, float, float]]:
        """Yield time and value of each sample of ``first`` with the latest of ``other``.

        Samples without a recent enough partner are left out.
        """
        later = iter(self.samples(other))
        coming = next(later, None)
        age_at, held = -self.longest_gap - 1, 0.0
        for time, value in self.samples(first):
            while coming is not None and coming[0] <= time:
                age_at, held = coming
                coming = next(later, None)
            if time - age_at <= self.longest_gap:
                yield time, value, held

    def merged(self, *points: str) -> Iterator[tuple[int, dict[str, float]]]:
        """Yield each time at which the first point has a sample, with the others' latest."""
        first, *others = points
        rows = {p: self.samples(p) for p in others}
        next_of = dict.fromkeys(others, 0)
        latest: dict[str, Sample] = {}
        for time, value in self.samples(first):
            for p in others:
                while next_of[p] < len(rows[p]) and rows[p][next_of[p]][0] <= time:
                    latest[p] = rows[p][next_of[p]]
                    next_of[p] += 1
            yield time, {first: value} | {
                p: v for p, (t, v) in latest.items() if time - t <= self.longest_gap}


def crossing(before: Sample, after: Sample, level: float) -> float:
    """Return the time (ms) at which a line through two samples passes ``level``."""
    (t0, v0), (t1, v1) = before, after
    if v1 == v0 or not min(v0, v1) <= level <= max(v0, v1):
        return float(t0)
    return t0 + (t1 - t0) * (level - v0) / (v1 - v0)


class Outcome(StrEnum):
    """The outcome of a step so far."""

    WAITING = "waiting"
    """Waiting for an event that the text names."""
    TIMING = "timing"
    PASSED = "passed"
    FAILED = "failed"
    UNDECIDED = "undecided"
    """The readings do not decide it; more readings, or a new start, may."""
    VOID = "void"
    """The attempt cannot be used, for the reason in the text; the step must be started again."""

    @property
    def settles(self) -> bool:
        """Whether the outcome is final."""
        return self in (Outcome.PASSED, Outcome.FAILED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One number of a step. ``value`` is in ``unit`` (of record); ``shown`` is for people.

    ``source`` is the point, or the instrument with its serial number; ``limit`` is what it was
    compared with, ``limit_from`` where that is published.
    """

    name: str
    shown: str
    value: float
    unit: str
    source: str
    limit: str = ""
    limit_from: str = ""

    @classmethod
    def read(cls, raw: Mapping[str, Any]) -> Measure:
        name, shown, unit, source, limit, limit_from = (str(raw[k]) for k in (
            "name", "shown", "unit", "source", "limit", "limit_from"))
        return cls(name=name, shown=shown, value=float(raw["value"]), unit=unit, source=source,
                   limit=limit, limit_from=limit_from)


@dataclass(frozen=True, slots=True, kw_only=True)
class StepEvaluation:
    """The evaluation of a step's readings.

    ``window`` (ms since 1970 UTC) is the time that counts.
    """

    outcome: Outcome
    text: str
    measures: tuple[Measure, ...] = ()
    window: tuple[int, int] | None = None
    remarks: tuple[str, ...] = ()
    """Remarks: a void attempt, an assumption."""

    @classmethod
    def waiting(cls, text: str, remarks: tuple[str, ...] = ()) -> StepEvaluation:
        return cls(outcome=Outcome.WAITING, text=text, remarks=remarks)

    @classmethod
    def void(cls, text: str) -> StepEvaluation:
        return cls(outcome=Outcome.VOID, text=text)
