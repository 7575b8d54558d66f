"""Where points that cannot be delivered are kept, for whoever wants to know what they were."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from pathlib import Path

from collector.clock import format_instant
from collector.forward.influx_mapping import Aside

__all__ = ["AsideFile"]

_LARGEST = 1_000_000


class AsideFile:
    """A file of JSON lines, with one older file beside it: a bound on what a bad point may fill."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __repr__(self) -> str:
        return f"AsideFile({self.path})"

    def add(self, points: Sequence[Aside], now: int) -> None:
        """Keep points. Raises ``OSError`` when the file cannot be written."""
        if self.path.exists() and self.path.stat().st_size > _LARGEST:
            os.replace(self.path, self.path.with_name(self.path.name + ".old"))
        with self.path.open("a", encoding="utf-8") as out:
            for point in points:
                out.write(json.dumps({"time": format_instant(now), "why": point.why,
                                      "line": point.line}, ensure_ascii=False) + "\n")
