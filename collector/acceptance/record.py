"""The record of one acceptance (steps, results, manual readings, signatures), JSON on disk.

One file each, replaced atomically, so that a power cut leaves the old or the new record. The
command line and the board use the same files; a lock lets one of them change at a time.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

from collector.acceptance.step_evaluation import Measure, Outcome, StepEvaluation
from collector.acceptance.steps import Size
from collector.domain.errors import QuietpipeError

__all__ = [
    "Entry", "Record", "RecordError", "RecordStore", "Result", "Signature", "record_from_json",
    "record_to_json",
]

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

    ``ended`` of an open entry is the time at which the attempt became void.
    ``reason`` says why it was skipped; ``history`` holds earlier attempts, which do not count.
    """

    result: Result = Result.OPEN
    began: int | None = None
    journal_at: int = 0
    """The number of the journal's newest event when it was begun."""
    ended: int | None = None
    by: str = ""
    reason: str = ""
    typed: Mapping[str, str] = field(default_factory=dict)
    evaluation: StepEvaluation | None = None
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
    raw = {"format": _FORMAT, **asdict(record)}
    for entry in raw["entries"].values():
        entry["finding"] = entry.pop("evaluation")
    return json.dumps(raw, ensure_ascii=False, indent=1, allow_nan=False)


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
    evaluation = raw["finding"]
    return Entry(
        result=Result(raw["result"]), began=raw["began"], journal_at=int(raw["journal_at"]),
        ended=raw["ended"], by=raw["by"],
        reason=raw["reason"], typed=dict(raw["typed"]), history=tuple(raw["history"]),
        evaluation=None if evaluation is None else _evaluation(evaluation),
    )


def _evaluation(raw: Mapping[str, Any]) -> StepEvaluation:
    window = raw["window"]
    return StepEvaluation(
        outcome=Outcome(raw["outcome"]), text=raw["text"], remarks=tuple(raw["remarks"]),
        measures=tuple(Measure.read(m) for m in raw["measures"]),
        window=None if window is None else (int(window[0]), int(window[1])),
    )


class RecordError(QuietpipeError):
    """A record cannot be read or written, or does not allow the action."""


class RecordStore:
    """The records in ``folder``, which is made with the first record."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __repr__(self) -> str:
        return f"RecordStore({self.folder})"

    @contextlib.contextmanager
    def changing(self) -> Iterator[None]:
        """Context in which records are locked: the record loaded inside is the one replaced."""
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            handle = os.open(self.folder / "lock", os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as error:
            raise RecordError(f"the folder {self.folder} cannot be written: {error.strerror}") \
                from error
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            yield
        finally:
            os.close(handle)  # which releases the lock, as the end of the process would

    def load_all(self) -> list[Record]:
        """Return every record, the oldest first. Raises ``RecordError`` for one that is damaged."""
        return sorted((self._read(p) for p in self.folder.glob("*.json")), key=lambda r: r.opened)

    def load(self, record_id: str) -> Record:
        """Return one record. Raises ``RecordError`` when there is none, or it is damaged."""
        path = self._path(record_id)
        if not path.is_file():
            raise RecordError(f"there is no acceptance {record_id}")
        return self._read(path)

    def save(self, record: Record) -> None:
        """Write a record and sync it to the disk."""
        self._write(self._path(record.id), record_to_json(record).encode())

    def pdf_path(self, record_id: str) -> Path:
        """Return the path of the record's PDF, also before it is written."""
        return self._path(record_id).with_suffix(".pdf")

    def save_pdf(self, record_id: str, content: bytes) -> Path:
        """Write the PDF; return its path."""
        path = self.pdf_path(record_id)
        self._write(path, content)
        return path

    def _path(self, record_id: str) -> Path:
        if not record_id.replace("-", "").isalnum():
            raise RecordError(f"not an id of an acceptance: {record_id!r}")
        return self.folder / f"{record_id}.json"

    @staticmethod
    def _read(path: Path) -> Record:
        try:
            return record_from_json(path.read_text(encoding="utf-8"))
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise RecordError(f"{path} cannot be read: {error}") from error

    def _write(self, path: Path, content: bytes) -> None:
        temporary = path.with_name(f".{path.name}.new")
        try:
            with temporary.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            temporary.replace(path)
            folder = os.open(self.folder, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        except OSError as error:
            raise RecordError(f"{path} cannot be written: {error.strerror}") from error
