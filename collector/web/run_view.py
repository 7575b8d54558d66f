"""The runs of a compressor, told from the trend of its contact. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from collector.domain.trends import TrendStep

__all__ = ["Run", "duty", "runs_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One run (ms). ``sure`` unless a gap in the readings or the edge of the stretch cut it."""

    start: int
    end: int
    length: int
    """How long it ran, which is less than from start to end where a step holds two runs."""
    sure: bool


def runs_of(steps: Sequence[TrendStep]) -> list[Run]:
    """Return the runs, oldest first; their edges are as sharp as the readings within a step.

    A step's mean is the part of it in which the contact said "running". One step without readings
    between two that have some is passed over: a poll that was late is no gap.
    """
    steps = [s for before, s, after in zip([None, *steps], steps, [*steps[1:], None], strict=False)
             if s.count or not (before and before.count and after and after.count)]
    runs: list[Run] = []
    group: list[TrendStep] = []
    before: TrendStep | None = None
    cut = True  # what ran already when the stretch began was cut off by its edge
    for step in steps:
        on = bool(step.count) and bool(step.mean)
        if on:
            if not group:
                cut = before is None or not before.count
            group.append(step)
        elif group:
            runs.append(_run(group, sure=not cut and bool(step.count)))
            group = []
        before = step
    if group:
        runs.append(_run(group, sure=False))
    return runs


def _run(group: Sequence[TrendStep], *, sure: bool) -> Run:
    def part(step: TrendStep) -> int:
        return round((step.mean or 0.0) * (step.end - step.start))

    length = sum(map(part, group))
    if len(group) == 1:
        return Run(start=group[0].start, end=group[0].start + length, length=length, sure=sure)
    return Run(start=group[0].end - part(group[0]), end=group[-1].start + part(group[-1]),
               length=length, sure=sure)


def duty(steps: Sequence[TrendStep]) -> float | None:
    """Return the share of the time with readings in which it ran; ``None`` without any."""
    watched = [(s.end - s.start, s.mean) for s in steps if s.count and s.mean is not None]
    whole = sum(length for length, _ in watched)
    return sum(length * mean for length, mean in watched) / whole if whole else None
