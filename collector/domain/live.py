"""The live picture: the last reading of every point, and the live alarms."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from collector.domain.events import Priority, Signal
from collector.domain.readings import Quality, Reading

__all__ = ["AlarmState", "LiveAlarm", "LivePicture", "PointState"]


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
