"""The live picture: the last reading of every point, and the live alarms."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from collector.domain.events import Priority, Signal
from collector.domain.readings import Quality, Reading


class AlarmState(StrEnum):
    """States of IEC 62682 / ISA-18.2, by name (their letters differ between editions)."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned-unacknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed-by-design"
    OUT_OF_SERVICE = "out-of-service"


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveAlarm:
    """One alarm that is not in the normal state, as shown to people."""

    id: str
    condition: str
    asset: str
    state: AlarmState
    signal: Signal
    priority: Priority
    present: bool
    """Whether the condition is active now, whatever the state."""
    since: int
    raised: int
    text: str
    values: Mapping[str, float | int | str | None] = field(default_factory=dict)
    by: str = ""
    why: str = ""
    until: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PointState:
    """The last reading of a point, the last good one, and since when its value is the same."""

    last: Reading
    last_good: Reading | None
    same_since: int


class LivePicture:
    """The last reading of every point. Written by the daemon, read by the board."""

    def __init__(self) -> None:
        self._points: dict[str, PointState] = {}

    def __repr__(self) -> str:
        good = sum(s.last.quality is Quality.GOOD for s in self._points.values())
        return f"LivePicture({len(self._points)} points, {good} good)"

    def __iter__(self) -> Iterator[str]:
        return iter(self._points)

    def __len__(self) -> int:
        return len(self._points)

    def get(self, point: str) -> PointState | None:
        """Return the state of ``point``, or ``None`` without a reading."""
        return self._points.get(point)

    def points(self) -> Mapping[str, PointState]:
        """Return a copy of every point's state."""
        return dict(self._points)

    def update(self, readings: Iterable[Reading]) -> None:
        """Apply readings in the order in which they were read.

        Their times may go back: the clock was set, and what was read last is what is so now.
        """
        for reading in readings:
            before = self._points.get(reading.point)
            good = before.last_good if before is not None else None
            if reading.quality is Quality.GOOD:
                good = reading
            same = before is not None and before.last.value == reading.value
            self._points[reading.point] = PointState(
                last=reading,
                last_good=good,
                same_since=min(before.same_since, reading.time)
                if same and before is not None else reading.time,
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class ForwardStatistics:
    """Counts of one forwarder since its start. Instants in ms since 1970 UTC."""

    target: str
    on: bool = False
    """Whether the site file configures it."""
    reachable: bool = True
    """Whether the last try succeeded; true as long as none was made."""
    sent: int = 0
    """Points the remote endpoint has accepted."""
    withheld: int = 0
    """Readings without a good value, which are not forwarded."""
    too_old: int = 0
    """Points the remote endpoint does not keep because of their age."""
    dead_letters: int = 0
    """Points that cannot be delivered, kept in a file."""
    failed_tries: int = 0
    behind: int = 0
    """Commits between the newest published one and the journal's newest."""
    missing: int = 0
    """Commits of an outage that are still to be published."""
    lost: int = 0
    """Readings and events that retention deleted before they were sent."""
    last_sent: int | None = None
    why: str = ""
    """Why the last try failed; empty when it succeeded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceStatistics:
    """Counts of one device since the start. Instants are ms since 1970 UTC, durations ms.

    ``polls`` counts real attempts, ``answers`` those in which at least one request was answered.
    ``skipped`` grid steps were left out by back-off or because the poll before was still running.
    Lateness is of the last 512 polls.
    """

    device: str
    polls: int = 0
    answers: int = 0
    silent: int = 0
    link_down: int = 0
    refused: int = 0
    invalid: int = 0
    skipped: int = 0
    lateness_middle: int | None = None
    lateness_most: int | None = None
    last_answer: int | None = None
    back_off: int = 0
    """ms until the next real attempt beyond the ordinary grid; 0 while it answers."""
    answering: bool = False
    """Whether anything answered in the last real attempt; false before the first."""
    why: str = ""
    """The error of the last attempt; empty when it succeeded."""

    @property
    def failures(self) -> int:
        """Attempts without a valid answer."""
        return self.silent + self.link_down + self.refused + self.invalid


@dataclass(frozen=True, slots=True, kw_only=True)
class PipelineStatistics:
    """Counts and state of the pipeline. Instants and durations in ms of the daemon's clock."""

    readings: int = 0
    events: int = 0
    commits: int = 0
    commit_failures: int = 0
    waiting: int = 0
    """Readings in memory that are not committed yet."""
    dropped: int = 0
    """Readings dropped because the journal could not write for too long."""
    last_turn: int | None = None
    """Instant of the last run of the rules."""
    last_commit: int | None = None
    journal_trouble: str = ""
    """Why the journal cannot write; empty when it can."""
