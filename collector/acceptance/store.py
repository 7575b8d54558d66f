"""Records on disk: one file each, replaced atomically, so that a power cut leaves old or new.

The command line and the board use the same files; a lock lets one of them change at a time.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Iterator
from pathlib import Path

from collector.acceptance.record import Record, record_from_json, record_to_json
from collector.domain.errors import QuietpipeError

__all__ = ["RecordError", "RecordStore"]


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
        """Hold the lock, so that a record loaded inside is the one replaced."""
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
