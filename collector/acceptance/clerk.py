"""Carries what people did with an acceptance into the journal: on the watch's side of the files."""

from __future__ import annotations

from collections.abc import Iterable

from collector.acceptance.facts import Note, notes_of
from collector.acceptance.store import RecordStore
from collector.domain.events import Event, FactNoted
from collector.domain.plant import Plant

__all__ = ["Clerk"]


class Clerk:
    """Finds the notes that the journal does not hold yet. ``journalled`` are its events so far."""

    def __init__(self, store: RecordStore, journalled: Iterable[Event]) -> None:
        self._store = store
        self._known = {str(e.values["note"]) for e in journalled
                       if isinstance(e, FactNoted) and "note" in e.values}
        self._state: tuple[tuple[str, int], ...] = ()

    def __repr__(self) -> str:
        return f"Clerk({self._store!r}, {len(self._known)} notes known)"

    def news(self, plant: Plant) -> list[Note]:
        """Return the notes to journal now, each once. Raises ``RecordError`` for a damaged file."""
        state = tuple(sorted((p.name, p.stat().st_mtime_ns)
                             for p in self._store.folder.glob("*.json")))
        if state == self._state:
            return []
        # Before they are read: a damaged file is complained of once, not at every turn.
        self._state = state
        found = [note for record in self._store.load_all() for note in notes_of(record, plant)
                 if note.key not in self._known]
        self._known.update(note.key for note in found)
        return found
