"""What a step has shown so far: its outcome, and the numbers with their sources."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

__all__ = ["Finding", "Measure", "Outcome"]


class Outcome(StrEnum):
    """How far a step is."""

    WAITING = "waiting"
    """For something to begin: the text says for what."""
    TIMING = "timing"
    PASSED = "passed"
    FAILED = "failed"
    UNDECIDED = "undecided"
    """The readings do not decide it; going on, or beginning again, may."""
    VOID = "void"
    """What was begun cannot be used; the text says why. It has to be begun again."""

    @property
    def settles(self) -> bool:
        """Whether nothing is to be waited for any more."""
        return self in (Outcome.PASSED, Outcome.FAILED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One number of a step. ``value`` is in ``unit`` (of record); ``shown`` is for people.

    ``source`` is the point, or the instrument with its serial number; ``limit`` and ``limit_from``
    say what it was held against and where that is written.
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
class Finding:
    """What the readings say. ``window`` (ms since 1970 UTC) is the stretch that counts."""

    outcome: Outcome
    text: str
    measures: tuple[Measure, ...] = ()
    window: tuple[int, int] | None = None
    remarks: tuple[str, ...] = ()
    """What has to be known about it: an attempt that was void, what it rests on."""

    @classmethod
    def waiting(cls, text: str, remarks: tuple[str, ...] = ()) -> Finding:
        """Return that something must happen first."""
        return cls(outcome=Outcome.WAITING, text=text, remarks=remarks)

    @classmethod
    def void(cls, text: str) -> Finding:
        """Return that what was begun cannot be used."""
        return cls(outcome=Outcome.VOID, text=text)
