"""The parts of a survey, each with its figures and notes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

__all__ = ["Figure", "Note", "Part", "Survey", "Tone"]


class Tone(StrEnum):
    """The result of a note."""

    GOOD = "good"
    CAUTION = "caution"
    """It fails, or may fail."""
    MISSING = "missing"
    """Not known: the site file lacks what it needs."""
    REMARK = "remark"


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One number with where it comes from. ``value`` is in ``unit``; ``shown`` is for people."""

    name: str
    shown: str
    value: float | None
    unit: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One sentence. ``source`` is where a limit or a rule is published, and how it was read."""

    tone: Tone
    text: str
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """The figures and notes of one asset, or of the site."""

    id: str
    title: str
    figures: tuple[Figure, ...] = ()
    notes: tuple[Note, ...] = ()

    def figure(self, name: str) -> Figure | None:
        """Return the figure of that name, or ``None``."""
        return next((f for f in self.figures if f.name == name), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """The whole survey of one site."""

    site: str
    title: str
    risers: tuple[Part, ...]
    generators: tuple[Part, ...]
    lacks: tuple[Note, ...]
    """Conditions not monitored, and the site-file key that would change it."""
    assumptions: tuple[str, ...]

    def parts(self) -> tuple[Part, ...]:
        """Return every part, the generators after the risers."""
        return (*self.risers, *self.generators)

    def notes(self, tone: Tone) -> Iterator[tuple[str, Note]]:
        """Return every note of one tone, with the title of its part."""
        for part in self.parts():
            for note in part.notes:
                if note.tone is tone:
                    yield part.title, note

    def as_data(self) -> dict[str, Any]:
        """Return it as plain data for JSON."""
        return asdict(self)
