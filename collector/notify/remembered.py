"""What is remembered between two decisions: calls under way, and messages that wait to be sent."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from collector.domain.events import AlarmMoved, event_from_json, event_to_json
from collector.notify.bundles import Item

__all__ = ["Bundle", "Call"]


@dataclass(slots=True)
class Call:
    """One alarm at one recipient: whom it has called, how far it has climbed, what is next."""

    recipient: str
    seq: int
    event: AlarmMoved
    due: int | None
    step: int = 0
    repeats: int = 0
    called: list[tuple[str, int]] = field(default_factory=list)

    def dump(self) -> dict[str, Any]:
        """Return it as JSON-able data."""
        return {"recipient": self.recipient, "seq": self.seq, "event": event_to_json(self.event),
                "due": self.due, "step": self.step, "repeats": self.repeats,
                "called": [list(c) for c in self.called]}

    @classmethod
    def load(cls, raw: Mapping[str, Any]) -> Call:
        """Read what :meth:`dump` gave."""
        event = event_from_json(raw["event"])
        assert isinstance(event, AlarmMoved)  # noqa: S101 - written by dump()
        return cls(recipient=raw["recipient"], seq=raw["seq"], event=event, due=raw["due"],
                   step=raw["step"], repeats=raw["repeats"],
                   called=[(who, at) for who, at in raw["called"]])


@dataclass(slots=True)
class Bundle:
    """What waits to go to one person as one message."""

    person: str
    due: int
    since: int
    held: bool
    items: list[Item] = field(default_factory=list)

    def dump(self) -> dict[str, Any]:
        """Return it as JSON-able data."""
        return {"person": self.person, "due": self.due, "since": self.since, "held": self.held,
                "items": [i.dump() for i in self.items]}

    @classmethod
    def load(cls, raw: Mapping[str, Any]) -> Bundle:
        """Read what :meth:`dump` gave."""
        return cls(person=raw["person"], due=raw["due"], since=raw["since"], held=raw["held"],
                   items=[Item.load(i) for i in raw["items"]])
