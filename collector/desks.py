"""A desk over a site's journal and record folder: the same for the command line and the board."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path

from collector.acceptance import Desk, History, Record, RecordStore
from collector.domain.events import AlarmMoved, Event, FactNoted, Transition
from collector.domain.plant import Plant
from collector.domain.readings import Reading
from collector.journal import Journal

__all__ = ["JournalHistory", "acceptance_events", "open_desk", "record_store"]

_FOLDER = "acceptance"
_KINDS = ("acceptance-opened", "acceptance-step-begun", "acceptance-step-settled",
          "acceptance-signed", "baseline-accepted")


class JournalHistory:
    """What a desk reads, from a journal: only ever read."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal

    def numbers(self, point: str, start: int, end: int) -> Sequence[tuple[int, float | None]]:
        """Return times and values in time order, ``None`` where a value is not good."""
        return self._journal.numbers(point, start, end)

    def readings(
        self, points: Sequence[str] | None, start: int | None, end: int | None,
    ) -> Iterable[Reading]:
        """Return readings in time order."""
        return self._journal.readings(points, start, end)

    def clock_sets(self, after: int) -> Sequence[int]:
        """Return when the clock was found set, of the events after number ``after``."""
        return [s.event.time for s in self._journal.events(kind="alarm", after=after)
                if isinstance(s.event, AlarmMoved) and s.event.condition == "clock-jump"
                and s.event.transition is Transition.RAISED]

    def last_event(self) -> int:
        """Return the number of the newest event."""
        return self._journal.last_event()


def record_store(data: Path) -> RecordStore:
    """Return the records of the site whose data folder this is."""
    return RecordStore(data / _FOLDER)


def _render(record: Record, plant: Plant, history: History, now: int) -> bytes:
    from collector.acceptance.sheet import render_record  # the PDF library, only when one is made

    return render_record(record, plant, history, now)


def open_desk(plant: Callable[[], Plant], data: Path, journal: Journal) -> Desk:
    """Return the desk of a site."""
    return Desk(plant, record_store(data), JournalHistory(journal), render=_render)


def acceptance_events(journal: Journal) -> Iterator[Event]:
    """Yield everything the journal holds about acceptances."""
    for kind in _KINDS:
        for stored in journal.events(kind=kind):
            if isinstance(stored.event, FactNoted):
                yield stored.event
