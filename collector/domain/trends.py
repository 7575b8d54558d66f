"""One step of a trend: what a point did between two instants."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["TrendStep"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendStep:
    """Minimum, mean and maximum of the good readings from ``start`` to ``end`` (ms, end excluded).

    ``count`` is the number of good readings; with none, the values are ``None``: a gap stays a gap.
    """

    start: int
    end: int
    count: int
    low: float | None
    mean: float | None
    high: float | None
