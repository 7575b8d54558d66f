"""Is a record the one that was signed? Its SHA-256 against those in the journal."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass

from collector.acceptance.facts import SIGNED
from collector.domain.events import Event, FactNoted

__all__ = ["Verdict", "verify"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What the journal says of a file. ``signed`` is the fact it was found in, if it was."""

    digest: str
    signed: FactNoted | None

    @property
    def genuine(self) -> bool:
        """Whether it is, byte for byte, a record that was signed."""
        return self.signed is not None


def verify(content: bytes, events: Iterable[Event]) -> Verdict:
    """Look for the hash of ``content`` among the journal's events."""
    digest = hashlib.sha256(content).hexdigest()
    found = None
    for event in events:
        if isinstance(event, FactNoted) and event.fact == SIGNED \
                and event.values.get("sha256") == digest:
            found = event
    return Verdict(digest=digest, signed=found)
