"""Journals the commissioning records that were signed, each once.

The command cannot write into the journal of a running monitor, and often there is none yet. It
leaves its record in the site's data folder, and the monitor journals those that it has not.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from pathlib import Path

from collector.domain.errors import QuietpipeError
from collector.domain.events import Event, SystemEvent

SIGNED = "commissioning-signed"


def record_folder(data: Path) -> Path:
    """Return the folder of the records within a site's data folder."""
    return data / "commissioning"


class CommissioningSync:
    """Finds records that the journal lacks; ``journalled`` are its events so far."""

    def __init__(self, folder: Path, journalled: Iterable[Event]) -> None:
        self._folder = folder
        self._known = {str(e.values["note"]) for e in journalled
                       if isinstance(e, SystemEvent) and "note" in e.values}

    def __repr__(self) -> str:
        return f"CommissioningSync({self._folder}, {len(self._known)} records known)"

    def pending(self, site: str) -> list[SystemEvent]:
        """Return the events to journal now. Raises ``QuietpipeError`` at a damaged record, once."""
        found = []
        for path in sorted(self._folder.glob("*.json")):
            note = f"{path.stem}/commissioned"
            if note in self._known:
                continue
            self._known.add(note)
            found.append(_event(path, site, note))
        return found


def _event(path: Path, site: str, note: str) -> SystemEvent:
    try:
        content = path.read_bytes()
        data = json.loads(content)
        rows, by, signed = data["rows"], str(data["by"]), int(data["signed"])
        agree = sum(row["agrees"] is True for row in rows)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise QuietpipeError(f"{path} is no commissioning record: {error}") from error
    return SystemEvent(
        time=signed, site=site, fact=SIGNED,
        text=f"The commissioning sheet was signed by {by}: {agree} of {len(rows)} points agree "
             "with what the display showed.",
        values={"record": path.stem, "sha256": hashlib.sha256(content).hexdigest(), "by": by,
                "points": len(rows), "agree": agree, "note": note})
