"""Files that are written whole."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path


def private_folder(path: Path) -> None:
    """Make a folder that no other account may look into. Raises ``OSError``.

    An existing one is left to its group.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    path.mkdir(mode=0o700, exist_ok=True)
    without_others(path)


def without_others(path: Path) -> None:
    """Take what others than owner and group may do with a file of ours."""
    mode = path.stat().st_mode
    if mode & 0o007:
        with contextlib.suppress(PermissionError):  # another account's: not ours to change
            path.chmod(mode & 0o7770)


def write_whole(path: Path, content: str | bytes, *, mode: int = 0o644) -> None:
    """Write a file so that after any interruption it is the old or the new one, never a part.

    Makes its folder. It is on the disk on return. Raises ``OSError``.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    part = path.with_name(path.name + ".part")
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, mode)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError:
        with contextlib.suppress(OSError):
            part.unlink()
        raise
