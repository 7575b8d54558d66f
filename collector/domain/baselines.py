"""Baselines: values of an asset in good order, with which later days are compared."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Baseline"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """One baseline as people see it.

    ``value`` and ``deviation`` (standard) are in ``unit``; ``None`` while it is being learned.
    ``days`` of ``needed`` days have been accepted; ``window`` (ms since 1970 UTC) is what they
    span. ``conditions`` says in plain words what a day must be like to be accepted.
    """

    quantity: str
    asset: str
    unit: str
    value: float | None
    deviation: float | None
    days: int
    needed: int
    window: tuple[int, int] | None
    given: bool
    """Whether a person set it in the site file; then nothing is learned."""
    conditions: str
    accepted_by: str = ""
    """Who signed the acceptance it comes from; empty where it was learned or given."""
