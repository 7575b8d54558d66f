"""The evaluation of an acceptance step: outcome, numbers with their sources, remarks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

__all__ = ["Measure", "Outcome", "StepEvaluation"]


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
        """Read one from plain data."""
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
        """Return an evaluation that waits for an event."""
        return cls(outcome=Outcome.WAITING, text=text, remarks=remarks)

    @classmethod
    def void(cls, text: str) -> StepEvaluation:
        """Return an evaluation that voids the attempt."""
        return cls(outcome=Outcome.VOID, text=text)
