"""Counts of devices and connections, for the board, the metrics and the benchmarks."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["BusStatistics", "DeviceCounters", "DeviceStatistics", "middle"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BusStatistics:
    """Counts of one connection since the start."""

    address: str
    up: bool
    requests: int
    opened: int
    late: int
    """Replies that arrived after their time-out and were discarded."""
    strays: int
    """Bytes discarded because no request was under way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceStatistics:
    """Counts of one device since the start. Instants are ms since 1970 UTC, durations ms.

    ``polls`` counts real attempts, ``answers`` those in which at least one request was answered.
    ``skipped`` grid steps were left out by back-off or because the poll before was still running.
    Lateness and latency are of the last 512 polls.
    """

    device: str
    polls: int
    answers: int
    silent: int
    link_down: int
    refused: int
    invalid: int
    skipped: int
    lateness_middle: int | None
    lateness_most: int | None
    latency_middle: int | None
    latency_most: int | None
    last_answer: int | None
    back_off: int
    """ms until the next real attempt beyond the ordinary grid; 0 while it answers."""
    answering: bool
    """Whether anything answered in the last real attempt; false before the first."""
    why: str
    """The error of the last attempt; empty when it succeeded."""


class DeviceCounters:
    """Running counts of one device, returned as :class:`DeviceStatistics`."""

    def __init__(self, device: str) -> None:
        self._device = device
        self.counts: Counter[str] = Counter()
        self.lateness: deque[int] = deque(maxlen=512)
        self.latency: deque[int] = deque(maxlen=512)
        self.last_answer: int | None = None
        self.back_off = 0
        self.answering = False
        self.why = ""

    def __repr__(self) -> str:
        return f"DeviceCounters({self._device}, {dict(self.counts)})"

    def statistics(self) -> DeviceStatistics:
        """Return the counts of now."""
        count = self.counts
        return DeviceStatistics(
            device=self._device, polls=count["polls"], answers=count["answers"],
            silent=count["silent"], link_down=count["link_down"], refused=count["refused"],
            invalid=count["invalid"], skipped=count["skipped"],
            lateness_middle=middle(self.lateness), lateness_most=max(self.lateness, default=None),
            latency_middle=middle(self.latency), latency_most=max(self.latency, default=None),
            last_answer=self.last_answer, back_off=self.back_off,
            answering=self.answering, why=self.why,
        )


def middle(numbers: Iterable[int]) -> int | None:
    """Return the median (the upper one of two), or ``None`` of nothing."""
    ordered = sorted(numbers)
    return ordered[len(ordered) // 2] if ordered else None
