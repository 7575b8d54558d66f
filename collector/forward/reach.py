"""Telling the rules when a far end has been out of reach for long, and when it is back.

What is told here is what ``delivery-failing`` is made of.
"""

from __future__ import annotations

from collections.abc import Callable

from collector.domain.events import FactNoted

__all__ = ["Reach"]

_PATIENCE = 60_000
"""ms that a far end may be away without a word: brokers are restarted."""
_AGAIN = 6 * 3_600_000
"""ms after which it is told again, so that the alarm does not end by itself."""


class Reach:
    """Notes facts about one far end. ``note`` takes each fact; ``name`` is how people know it.

    ``failing`` may be set after a restart: that it had been told, so that its end is told too.
    """

    def __init__(self, *, site: str, name: str, note: Callable[[FactNoted], object]) -> None:
        self._site, self.name, self._note = site, name, note
        self.why = ""
        """Why it cannot be reached; empty while it can."""
        self.failing = False
        """Whether it has been told that nothing gets through, and not yet that it does again."""
        self._since: int | None = None
        self._told: int | None = None

    def __repr__(self) -> str:
        return f"Reach({self.name}, {self.why or 'well'})"

    def failed(self, now: int, why: str) -> None:
        """Take in that a try failed at ``now`` (ms)."""
        self.why = why
        if self._since is None:
            self._since = now
        if now - self._since < _PATIENCE or (
            self._told is not None and now - self._told < _AGAIN
        ):
            return
        self._told, self.failing = now, True
        self._note(FactNoted(
            time=now, site=self._site, fact="forwarding-not-through", values={"target": self.name},
            text=f"Nothing gets through to {self.name}: {why}. It is kept and sent later.",
        ))

    def reached(self, now: int) -> None:
        """Take in that it was reached."""
        told, self.failing = self.failing, False
        self.why, self._since, self._told = "", None, None
        if told:
            self._note(FactNoted(
                time=now, site=self._site, fact="forwarding-resumed", values={"target": self.name},
                text=f"{self.name} is reached again; what was missed is being sent.",
            ))
