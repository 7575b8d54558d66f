"""Tells readings that are merely late from a clock that was set back."""

from __future__ import annotations

__all__ = ["CLOCK_SET", "Lateness"]

CLOCK_SET = 2000
"""ms by which time must run backwards to count as a clock that was set."""

_OUT_OF_ORDER = 60_000
"""ms by which recorded rows may be out of order: readings later than that may mean a set clock."""

_LATE_FOR_GOOD = 5000
"""ms of their own time that such readings must go on, with none in time, to prove it."""


class Lateness:
    """One late reading is just late, and so are rows out of order within a minute.

    Older ones that go on by themselves are a new time.
    """

    def __init__(self) -> None:
        self.since: int | None = None
        """The oldest of such readings (ms), ``None`` where there are none."""

    def __repr__(self) -> str:
        return f"Lateness(since={self.since})"

    def note(self, at: int, now: int | None) -> int | None:
        """Take note of a reading's time, ``now`` being the newest of all.

        Return what the clock was set back to, once it is proven.
        """
        if now is None or at >= now - CLOCK_SET:
            self.since = None
            return None
        if at >= now - _OUT_OF_ORDER:
            return None
        if self.since is None or at < self.since:
            self.since = at
            return None
        return self.since if at - self.since >= _LATE_FOR_GOOD else None
