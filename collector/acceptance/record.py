"""The record of one acceptance: steps, findings, manual readings, signatures. JSON on disk."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from enum import StrEnum
from typing import Any

from collector.acceptance.finding import Finding, Measure, Outcome
from collector.acceptance.steps import Size

__all__ = ["Entry", "Record", "Result", "Signature", "record_from_json", "record_to_json"]

_FORMAT = 1


class Result(StrEnum):
    """The result of a step in the record."""

    OPEN = "open"
    RUNNING = "running"
    PASSED = "pass"
    FAILED = "fail"
    NOT_DONE = "not done"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One step in the record. Instants are ms since 1970 UTC.

    ``ended`` of an open entry is when what was begun became void.
    ``reason`` says why it was skipped; ``history`` holds earlier tries, which do not count.
    """

    result: Result = Result.OPEN
    began: int | None = None
    journal_at: int = 0
    """The number of the journal's newest event when it was begun."""
    ended: int | None = None
    by: str = ""
    reason: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    finding: Finding | None = None
    history: tuple[str, ...] = ()

    @property
    def settled(self) -> bool:
        """Whether the step has a result or a reason."""
        return self.result in (Result.PASSED, Result.FAILED, Result.NOT_DONE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """The name of a person present, their role, and when they signed (ms)."""

    name: str
    role: str
    time: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One acceptance. ``sealed`` is when the PDF was written, ``digest`` its SHA-256 in hex."""

    id: str
    site: str
    opened: int
    by: str
    size: Size
    entries: Mapping[str, Entry] = field(default_factory=dict)
    signatures: tuple[Signature, ...] = ()
    sealed: int | None = None
    digest: str = ""

    def entry(self, step: str) -> Entry:
        """Return the entry of a step."""
        return self.entries.get(step, Entry())

    def with_entry(self, step: str, entry: Entry) -> Record:
        """Return the record with another entry for a step."""
        return replace(self, entries={**self.entries, step: entry})


def record_to_json(record: Record) -> str:
    """Write a record."""
    return json.dumps({"format": _FORMAT, **asdict(record)}, ensure_ascii=False, indent=1,
                      allow_nan=False)


def record_from_json(text: str) -> Record:
    """Read what :func:`record_to_json` wrote. Raises ``ValueError`` or ``KeyError`` otherwise."""
    raw = json.loads(text)
    if raw["format"] != _FORMAT:
        raise ValueError(f"format {raw['format']} of a later version")
    return Record(
        id=raw["id"], site=raw["site"], opened=int(raw["opened"]), by=raw["by"],
        size=Size(raw["size"]), sealed=raw["sealed"], digest=raw["digest"],
        entries={step: _entry(entry) for step, entry in raw["entries"].items()},
        signatures=tuple(Signature(name=s["name"], role=s["role"], time=int(s["time"]))
                         for s in raw["signatures"]),
    )


def _entry(raw: Mapping[str, Any]) -> Entry:
    finding = raw["finding"]
    return Entry(
        result=Result(raw["result"]), began=raw["began"], journal_at=int(raw["journal_at"]),
        ended=raw["ended"], by=raw["by"],
        reason=raw["reason"], typed=dict(raw["typed"]), history=tuple(raw["history"]),
        finding=None if finding is None else _finding(finding),
    )


def _finding(raw: Mapping[str, Any]) -> Finding:
    window = raw["window"]
    return Finding(
        outcome=Outcome(raw["outcome"]), text=raw["text"], remarks=tuple(raw["remarks"]),
        measures=tuple(Measure.read(m) for m in raw["measures"]),
        window=None if window is None else (int(window[0]), int(window[1])),
    )
