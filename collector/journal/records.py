"""The records that the journal returns, without a database behind them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from collector.domain.events import Event
from collector.domain.readings import Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredEvent:
    """An event with its number ``seq`` (never used again) and the commit it came with."""

    seq: int
    commit: int
    event: Event


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Commits deleted by retention although a consumer had not settled them.

    Commits ``first`` to ``last`` may miss readings from ``start`` to ``end`` (ms, end excluded).
    ``readings`` and ``events`` were deleted and not settled by the slowest consumer.
    """

    first: int
    last: int
    start: int
    end: int
    readings: int
    events: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Commit:
    """One commit: readings in time order, and the events they caused in theirs.

    ``gap`` holds what retention deleted before a consumer read it, up to this number.
    """

    number: int
    readings: tuple[Reading, ...] = ()
    events: tuple[StoredEvent, ...] = ()
    gap: Gap | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PackResult:
    """The result of packing: hours closed, readings moved into them, bytes of their blocks."""

    hours: int = 0
    readings: int = 0
    bytes: int = 0


@dataclass(slots=True, kw_only=True)
class RetainResult:
    """The result of retention, counted while it runs: what was deleted, and what had to stay.

    ``held`` counts hours older than asked that stay because ``held_for`` have not settled them.
    ``gaps`` are what size forced it to delete unsettled. ``bytes`` is the file's size now.
    """

    hours: int = 0
    readings: int = 0
    events: int = 0
    deliveries: int = 0
    held: int = 0
    held_for: tuple[str, ...] = ()
    gaps: tuple[Gap, ...] = ()
    bytes: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalStatistics:
    """Sizes and counts of the journal. Instants in ms since 1970 UTC, sizes in bytes."""

    path: Path
    bytes: int
    """Of the file and what is not yet merged into it."""
    readings_open: int
    readings_packed: int
    points: int
    last_commit: int
    lags: Mapping[str, int] = field(default_factory=dict)
    """Commits that each consumer has not settled."""
    deliveries: Mapping[str, int] = field(default_factory=dict)
    """Deliveries by state."""
    last_retain: RetainResult | None = None
