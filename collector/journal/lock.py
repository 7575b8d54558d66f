"""The lock file beside a journal: one daemon writes, and what it wrote last is known apart from it.

The number of each commit is noted in the lock file after the commit is on disk. SQLite leaves out a
write-ahead log that is damaged or gone without an error; the note says that commits are missing.
"""

from __future__ import annotations

import fcntl
import os
import zlib
from pathlib import Path
from typing import NamedTuple

from collector.domain.errors import JournalError
from collector.files import private_folder, without_others

__all__ = ["LockFile", "Mark"]

_LENGTH = 96


class Mark(NamedTuple):
    """The last commit: its number, that of its last event, readings kept so far, its instant."""

    commit: int = 0
    event: int = 0
    readings: int = 0
    time: int = 0


class LockFile:
    """The lock on the journal at ``path``, held for this process until :meth:`close`.

    The system lets go of it when the process ends, however that comes. Raises ``JournalError``
    when another process has it.
    """

    def __init__(self, path: Path) -> None:
        self._path = path.with_name(path.name + ".lock")
        self._journal = path
        try:
            private_folder(path.parent)
            self._file = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as exc:
            raise JournalError(f"the journal {path} could not be opened: {exc}") from exc
        try:
            without_others(self._path)
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as exc:
            os.close(self._file)
            raise JournalError(
                f"the journal {path} is in use by another daemon; only one may write it"
            ) from exc
        if not self.is_in_place():  # replaced between the two calls
            self.close()
            raise JournalError(f"the lock file of the journal {path} was replaced meanwhile")

    def __repr__(self) -> str:
        return f"LockFile({self._path})"

    def is_in_place(self) -> bool:
        """Whether the file is still the one that another daemon would try to lock."""
        return _identity(self._path) == _identity(self._file)

    def mark(self) -> Mark:
        """Return the last commit noted; an empty mark where none can be read."""
        text, _, crc = os.pread(self._file, _LENGTH, 0).decode("ascii", "replace").partition("|")
        if crc.strip() != str(zlib.crc32(text.encode())):
            return Mark()
        return Mark(*map(int, text.split()))

    def write_mark(self, mark: Mark) -> None:
        """Note the last commit. Not synchronised: a note that is lost says too little, no more."""
        text = " ".join(map(str, mark))
        os.pwrite(self._file, f"{text}|{zlib.crc32(text.encode())}".ljust(_LENGTH - 1).encode()
                  + b"\n", 0)

    def forget(self) -> None:
        """Clear the note, for a new journal, and close."""
        os.ftruncate(self._file, 0)
        self.close()

    def close(self) -> None:
        """Let another process have the journal."""
        os.close(self._file)


def _identity(file: Path | int) -> tuple[int, int] | None:
    try:
        found = os.stat(file)
    except FileNotFoundError:
        return None
    return found.st_dev, found.st_ino


class FileIdentity:
    """Which file lay at a path when it was opened."""

    def __init__(self, path: Path) -> None:
        self.path, self._was = path, _identity(path)

    def __repr__(self) -> str:
        return f"FileIdentity({self.path})"

    def exists(self) -> bool:
        """Whether any file is at the path."""
        return _identity(self.path) is not None

    def is_same(self) -> bool:
        """Whether the path has the file that the first call found."""
        now = _identity(self.path)
        if self._was is None:
            self._was = now
        return now == self._was
