"""The one file that remembers: readings, events, cursors of consumers, messages on their way."""

from collector.journal.facts import (
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
