"""Files that are written whole."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path


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
