"""The journal: one SQLite file of readings, events, consumers' cursors and queued messages."""

from collector.journal.records import (
    Commit,
    Gap,
    JournalStatistics,
    PackResult,
    RetainResult,
    StoredEvent,
)
from collector.journal.store import Journal

__all__ = [
    "Commit", "Gap", "Journal", "JournalStatistics", "PackResult", "RetainResult", "StoredEvent",
]
