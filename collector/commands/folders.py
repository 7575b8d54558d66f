"""Where a site, or a hub, keeps its things: for commands that take either file."""

from __future__ import annotations

import contextlib
import tomllib
from pathlib import Path

from collector.config import load_site
from collector.fleet.hub_settings import load_hub

__all__ = ["data_folder"]


def data_folder(path: Path) -> Path:
    """Return the data folder that a site file, or a hub's, names.

    Raises ``SiteFileError`` with every mistake of the file.
    """
    raw: dict[str, object] = {}
    with contextlib.suppress(OSError, ValueError):  # what is wrong with it is said below
        raw = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    if "groups" in raw and "site" not in raw:
        return load_hub(path, secrets=False).data
    return load_site(path, secrets=False).data
