"""One rule or estimator at one lane of readings: from where on the readings matter to it."""

from __future__ import annotations

import math
from bisect import bisect_left
from typing import TYPE_CHECKING

from collector.rules.base import ALL, SampleConsumer
from collector.rules.estimates import Estimator

if TYPE_CHECKING:
    from collector.rules.lanes import Lane
    from collector.rules.slots import Slot

__all__ = ["Hearer"]


class Hearer:
    """One rule or estimator at one lane."""

    __slots__ = (
        "asks", "band", "each", "end", "held", "holds", "late", "limit", "many", "observe",
        "keeping", "others", "plain", "quiet", "slot", "target", "until",
    )

    def __init__(self, target: SampleConsumer, slot: Slot | None, limit: int | None) -> None:
        kind = type(target)
        self.target, self.slot, self.limit = target, slot, limit
        self.observe, self.many = target.observe, target.update_batch
        self.quiet = None if kind.quiet is SampleConsumer.quiet else target.quiet
        self.until = None if kind.quiet_until is SampleConsumer.quiet_until else target.quiet_until
        self.holds = None if kind.holds is SampleConsumer.holds else target.holds
        self.each = self.quiet is None and self.holds is None
        """Whether it hears every sample."""
        self.plain = self.quiet is not None and self.until is None and self.holds is None
        """Whether its band alone tells where it ends."""
        self.asks = (
            target if isinstance(target, Estimator)
            and type(target).wanted is not Estimator.wanted else None
        )
        """The estimator, where it may want to be asked."""
        self.others: list[tuple[Lane, Hearer]] = []
        """The same at its other lanes, where what it says of those may change with this one."""
        self.keeping: list[tuple[Lane, Hearer]] = []
        """The same at its other lanes where it may keep something back."""
        self.late: list[int] = []
        """Places that come too late after the one before to be passed over."""
        self.band: tuple[float, float] | None = None
        self.end = 0
        """The first place that may matter."""
        self.held: int | None = None
        """The first place that is kept back."""

    def is_quiet(self, lane: Lane, place: int, value: float) -> bool:
        """Whether, as things are now, it may be spared this sample."""
        quiet = self.quiet
        if quiet is None or (self.slot is not None and self.slot.blind):
            return False
        band = quiet(lane.name)
        if band is None or not band[0] <= value <= band[1]:
            return False
        if self.until is not None:
            until = self.until(lane.name)
            if until is not None and lane.times[place] >= until:
                return False
        return not self._is_late(place)

    def _is_late(self, place: int) -> bool:
        late = self.late
        if not late:
            return False
        found = bisect_left(late, place)
        return found < len(late) and late[found] == place

    def stays(self, name: str) -> bool:
        """Whether nothing has changed since it was last looked where it ends."""
        slot = self.slot
        if slot is not None and slot.blind:
            return self.band is None and self.held is None  # it hears every sample as it is
        if self.band is None or self.quiet is None or self.no_change_band(name) != self.band:
            return False
        return self.plain or (
            self.holds is None and self.until is not None and self.until(name) is None)

    def look(self, lane: Lane, place: int) -> None:
        """Find the first place from ``place`` on that may matter."""
        if self.slot is not None and self.slot.blind:
            self.end, self.band = place, None
            return
        if self.holds is not None:
            held = self.holds(lane.name)
            if held is not None:
                self.band = None
                low, high, until = held
                whole = low == -math.inf and high == math.inf
                self.end = self._end(lane, place, ALL if whole else (low, high), until)
                if self.end > place and self.held is None:
                    self.held = place
                return
        band = None if self.quiet is None else self.no_change_band(lane.name)
        if band is None:
            self.end, self.band = place, None
        elif band != self.band or self.end <= place or self.until is not None:
            self.band = band
            until = None if self.until is None else self.until(lane.name)
            self.end = self._end(lane, place, band, until)

    def _end(
        self, lane: Lane, place: int, band: tuple[float, float], until: int | None,
    ) -> int:
        stop = lane.count
        if until is not None:
            stop = bisect_left(lane.times, until, place)
        if self.late:
            found = bisect_left(self.late, place)
            if found < len(self.late):
                stop = min(stop, self.late[found])
        return lane.leaves(band, place, stop)

    def hand_over(self, lane: Lane, place: int) -> None:
        """Give it what was kept back before ``place``."""
        start, self.held = self.held, None
        if start is not None and place > start:
            before = lane.before[start]
            assert before is not None  # noqa: S101 - the first of all comes too late to be held
            self.many(lane.name, lane.times[start:place], lane.values[start:place], before)
