"""Whether every event that a site has told has come, by their numbers in its journal. No I/O.

A broker that has taken an event owes it to the hub. Some keep one back: mosquitto 2.0.11, for one,
gives a session that returns to a long queue the first messages of it, then passes over as many as
were of QoS 0 among those, and sends what it passed over only when the session returns once more. A
hole in the numbers shows it, and returning to the session is what a client can do about it (MQTT 5,
section 4.4: what is not acknowledged is sent again then).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

__all__ = ["EventNumbers"]

_PATIENCE = 10_000
"""ms that an event may come after the mark which says that it was told."""
_LOST = 60_000
"""ms after which what was asked for once more is called lost."""


@dataclass(slots=True, kw_only=True)
class EventNumbers:
    """The numbers that came from one journal, as ``spans`` ``[first, last]``, rising and apart."""

    journal: str = ""
    spans: list[list[int]] = field(default_factory=list)
    owed_upto: int = 0
    """What a mark has said was told, while something of it has not come; else 0."""
    owed_since: int = 0
    """When that was first said, or asked for; ms."""
    asked: bool = False
    """Whether the session was returned to for that."""

    @classmethod
    def load(cls, raw: Mapping[str, Any]) -> EventNumbers:
        """Read what ``dataclasses.asdict`` gave."""
        return cls(**{**raw, "spans": [list(span) for span in raw["spans"]]})

    def came(self, journal: str, number: int) -> None:
        """Take in the number of an event. Another journal begins anew."""
        if journal != self.journal:
            self.journal, self.spans = journal, []
            self._settled()
        place = len(self.spans)
        while place and self.spans[place - 1][0] > number:
            place -= 1
        if place and number <= self.spans[place - 1][1]:
            return
        self.spans.insert(place, [number, number])
        for after in (place + 1, place):
            if 0 < after < len(self.spans) and self.spans[after - 1][1] + 1 == self.spans[after][0]:
                self.spans[after - 1][1] = self.spans.pop(after)[1]
        if self.spans[0][1] >= self.owed_upto:
            self._settled()

    def told(self, journal: str, upto: int, now: int) -> None:
        """Take in that the broker has taken everything up to a number, as a mark says at ``now``.

        What was told before the first number that ever came here is nobody's debt.
        """
        if journal != self.journal or not self.spans or self.spans[0][1] >= upto:
            self._settled()
            return
        if not self.owed_upto or now < self.owed_since:
            self.owed_since = now
        self.owed_upto = upto

    def owes(self, now: int) -> bool:
        """Whether to return to the session for what is owed. It says so once."""
        if not self.owed_upto or self.asked or now - self.owed_since < _PATIENCE:
            return False
        self.asked, self.owed_since = True, now
        return True

    def given_up(self, now: int) -> int:
        """Return how many events are lost: still owed long after they were asked for."""
        if not self.asked or now - self.owed_since < _LOST:
            return 0
        first, last = self.spans[0][0], max(self.spans[-1][1], self.owed_upto)
        missing = last - first + 1 - sum(b - a + 1 for a, b in self.spans)
        self.spans = [[first, last]]
        self._settled()
        return missing

    def _settled(self) -> None:
        self.owed_upto, self.owed_since, self.asked = 0, 0, False
