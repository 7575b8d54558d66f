"""Whether the primary host application is there, from its retained STATE messages."""

from __future__ import annotations

import json

__all__ = ["PrimaryHost"]


class PrimaryHost:
    """What the host last said of itself. Without a name there is none to wait for.

    A statement older than the last one accepted is passed over: the will of a host's old session
    may come after the greeting of its new one.
    """

    def __init__(self, name: str | None) -> None:
        self.name = name
        self._online = name is None
        self._at = -1

    def __repr__(self) -> str:
        return f"PrimaryHost({self.name or 'none'}, {'online' if self._online else 'away'})"

    @property
    def online(self) -> bool:
        """Whether anything may be published."""
        return self._online

    @property
    def topic(self) -> str:
        """The topic on which the host speaks of itself."""
        return f"spBv1.0/STATE/{self.name}"

    def hear(self, topic: str, payload: bytes) -> bool:
        """Take in a STATE message; return whether it was accepted."""
        if self.name is None or topic != self.topic:
            return False
        try:
            said = json.loads(payload)
            online, at = said["online"], said["timestamp"]
        except (ValueError, KeyError, TypeError):
            return False
        # A whole number, and true is one to Python.
        if not isinstance(online, bool) or type(at) is not int or at < self._at:
            return False
        self._online, self._at = online, at
        return True
