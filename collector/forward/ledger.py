"""Which commits have been published: everything up to a point, but for holes still to be filled.

What is live goes first; what was missed while the line was down is a hole behind it, filled bit by
bit. The journal's own cursor can say only "all up to here", so it stands at the first hole, and the
rest is kept here.
"""

from __future__ import annotations

import json

__all__ = ["Ledger"]


class Ledger:
    """Commit numbers told and still to be told. ``holes`` are ``(after, upto)``, oldest first."""

    def __init__(
        self, live: int, holes: list[tuple[int, int]] | None = None, events: int = 0,
    ) -> None:
        self.live = live
        """The last commit told live."""
        self.events = events
        """The highest number of an event that was told; 0 for none."""
        self.holes = holes if holes is not None else []

    def __repr__(self) -> str:
        return f"Ledger(live {self.live}, {self.behind} commits behind)"

    @classmethod
    def load(cls, kept: str | None, position: int) -> Ledger:
        """Read what :meth:`dump` wrote; without it everything after ``position`` is untold."""
        if kept is None:
            return cls(position)
        said = json.loads(kept)
        return cls(int(said["live"]), [(int(a), int(b)) for a, b in said["holes"]],
                   int(said.get("events", 0)))

    def dump(self) -> str:
        """Return it as text for the journal's meta."""
        return json.dumps({"live": self.live, "holes": self.holes, "events": self.events},
                          separators=(",", ":"))

    @property
    def settled(self) -> int:
        """The commit up to which nothing is missing."""
        return self.holes[0][0] if self.holes else self.live

    @property
    def behind(self) -> int:
        """How many commits the holes hold, counting empty ones."""
        return sum(upto - after for after, upto in self.holes)

    def skip_to(self, head: int) -> None:
        """Leave what lies between the last commit told and ``head`` for later."""
        if head > self.live:
            if self.holes and self.holes[-1][1] == self.live:  # nothing was told in between
                self.holes[-1] = (self.holes[-1][0], head)
            else:
                self.holes.append((self.live, head))
            self.live = head

    def told(self, number: int) -> None:
        """Take in that a live commit was told."""
        self.live = max(self.live, number)

    def filled(self, upto: int) -> None:
        """Take in that the first hole is filled up to a commit."""
        _, end = self.holes[0]
        if upto >= end:
            del self.holes[0]
        else:
            self.holes[0] = (upto, end)
