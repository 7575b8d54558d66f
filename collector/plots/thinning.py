"""Reduces the points of a series without changing its picture, and finds its gaps."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from statistics import median

from collector.domain.trends import TrendStep

__all__ = ["bridge", "few_points", "few_steps", "stretches", "usual"]

_BRIDGE = 2.5
"""Usual distances between full steps above which empty steps are a gap."""


def few_steps(steps: Sequence[TrendStep], most: int) -> list[TrendStep]:
    """Join neighbouring steps until there are at most ``most``; nothing is lost of low and high."""
    size = -(-len(steps) // max(most, 1))
    if size <= 1:
        return list(steps)
    return [_joined(steps[i:i + size]) for i in range(0, len(steps), size)]


def _joined(steps: Sequence[TrendStep]) -> TrendStep:
    count, total, low, high = 0, 0.0, float("inf"), float("-inf")
    for step in steps:
        if step.low is None or step.mean is None or step.high is None:
            continue
        count += step.count
        total += step.mean * step.count
        low = step.low if step.low < low else low
        high = step.high if step.high > high else high
    start, end = steps[0].start, steps[-1].end
    if not count:
        return TrendStep(start=start, end=end, count=0, low=None, mean=None, high=None)
    return TrendStep(start=start, end=end, count=count, low=low, mean=total / count, high=high)


def stretches(steps: Sequence[TrendStep]) -> list[list[TrendStep]]:
    """Return the runs of steps with readings that belong together.

    A point polled less often than a step is long leaves steps empty without a gap; the usual
    distance between its full steps decides.
    """
    full = [s for s in steps if s.count]
    if not full:
        return []
    bridged = bridge(steps)
    runs = [[full[0]]]
    for before, step in zip(full, full[1:], strict=False):
        if step.start - before.start > bridged:
            runs.append([])
        runs[-1].append(step)
    return runs


def usual(steps: Sequence[TrendStep]) -> float:
    """Return the usual distance (ms) from one full step to the next; 0 where there are not two."""
    starts = [s.start for s in steps if s.count]
    apart = [b - a for a, b in zip(starts, starts[1:], strict=False)]
    return median(apart) if apart else 0.0


def bridge(steps: Sequence[TrendStep]) -> float:
    """Return the distance (ms) of full steps up to which they belong together."""
    return _BRIDGE * usual(steps)


def few_points(
    points: Sequence[tuple[int, float | None]], most: int,
) -> Iterator[list[tuple[int, float]]]:
    """Return runs of points between gaps, at most about ``most`` in all.

    Of each bucket the first, least, greatest and last stay, so that no peak is lost.
    """
    share = max(len(points), 1)
    run: list[tuple[int, float]] = []
    for time, value in [*points, (0, None)]:
        if value is not None:
            run.append((time, value))
        elif run:
            yield _thin(run, max(most * len(run) // share, 8))
            run = []


def _thin(run: list[tuple[int, float]], most: int) -> list[tuple[int, float]]:
    if len(run) <= most:
        return run
    size = -(-len(run) // max(most // 4, 1))
    kept: list[tuple[int, float]] = []
    for i in range(0, len(run), size):
        bucket = run[i:i + size]
        chosen = {bucket[0], min(bucket, key=lambda p: p[1]), max(bucket, key=lambda p: p[1]),
                  bucket[-1]}
        kept.extend(sorted(chosen))
    return kept
