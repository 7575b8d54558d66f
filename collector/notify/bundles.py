"""Messages to one person, bundled into one with the most urgent first; and the calls' state."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

from collector.domain.events import (
    AlarmTransition,
    Priority,
    SystemEvent,
    event_from_json,
    event_to_json,
)
from collector.domain.formatting import duration_text, local_time
from collector.notify.message import (
    Message,
    NewsItem,
    alarm_message,
    digest,
    fact_message,
    link_line,
)
from collector.notify.policy import Kind, Policy
from collector.notify.recipients import Recipient

__all__ = ["Bundle", "Call", "Item", "bundle_message", "called_line"]

LINKED = 12
"""Alarms that one link acknowledges at most; a longer address breaks in mail programs."""

_RANK = {Priority.HIGH: 0, Priority.MEDIUM: 1, Priority.LOW: 2}


@dataclass(frozen=True, slots=True)
class Item:
    """One item of a message. ``note`` lists earlier calls, ``number`` counts this one."""

    kind: str
    seq: int
    event: AlarmTransition | SystemEvent
    note: str = ""
    number: int = 1

    @property
    def calls(self) -> bool:
        """Whether it asks for an action: an alarm raised, escalated or repeated."""
        return self.kind.partition("-")[0] in (Kind.RAISED, Kind.ESCALATED, Kind.REPEATED)

    @property
    def occurrence(self) -> str:
        """Id of the occurrence, or empty."""
        return self.event.id if isinstance(self.event, AlarmTransition) else ""

    @property
    def identity(self) -> str:
        """Key that is equal for the same news, by whichever route it reaches a person."""
        if isinstance(self.event, AlarmTransition):
            return f"{self.event.id} {self.event.transition.value} {self.event.time}"
        return f"event {self.seq}"

    def urgency(self) -> tuple[int, int, int, int]:
        """Sort key: calls before information, higher priority first, older first."""
        if not isinstance(self.event, AlarmTransition):
            return 2, 0, self.event.time, self.seq
        return (0 if self.calls else 1), _RANK[self.event.priority], self.event.since, self.seq

    def dump(self) -> dict[str, Any]:
        """Return the state as JSON-able data."""
        return {"kind": self.kind, "seq": self.seq, "event": event_to_json(self.event),
                "note": self.note, "number": self.number}

    @classmethod
    def load(cls, raw: Mapping[str, Any]) -> Item:
        """Restore what :meth:`dump` returned."""
        event = event_from_json(raw["event"])
        assert isinstance(event, AlarmTransition | SystemEvent)  # noqa: S101 - written by dump()
        return cls(raw["kind"], raw["seq"], event, raw["note"], raw["number"])


def called_line(waiting: int, called: Sequence[tuple[str, int]], zone: ZoneInfo) -> str:
    """Return the line on the time (ms) without acknowledgement and on who was called when.

    >>> called_line(900_000, [("Ann", 1774749005000)], ZoneInfo("Europe/London"))
    'Not acknowledged for 15 min. Called so far: Ann at 02:50.'
    """
    calls = [f"{who} at {local_time(at, zone):%H:%M}" for who, at in called]
    return (f"Not acknowledged for {duration_text(max(waiting, 0))}. "
            f"Called so far: {', '.join(calls)}.")


def bundle_message(
    items: Sequence[Item], policy: Policy, who: Recipient | None, now: int, *,
    held: int | None = None,
) -> Message:
    """Return the message of ``items``, the most urgent of them first.

    ``held`` is the instant (ms) since which quiet hours kept them.
    """
    plant, board = policy.plant, policy.board
    linked = list(dict.fromkeys(i.occurrence for i in items if i.calls))[:LINKED]
    link = ""
    if policy.link is not None and linked and who is not None and not who.wants_events:
        link = link_line(*policy.link(who.id, linked, now), policy.zone, len(linked))
    if len(items) > 1 or held is not None:
        readings = [NewsItem(event=i.event, note=i.note, calls=i.calls) for i in items]
        return digest(readings, plant, board=board, link=link, held=held)
    (item,) = items
    if isinstance(item.event, SystemEvent):
        return fact_message(item.event, plant)
    return alarm_message(item.event, plant, board=board, link=link, note=item.note,
                         number=item.number)


@dataclass(slots=True)
class Call:
    """The calls of one alarm to one recipient: people called, escalation step, next instant."""

    recipient: str
    seq: int
    event: AlarmTransition
    due: int | None
    step: int = 0
    repeats: int = 0
    called: list[tuple[str, int]] = field(default_factory=list)

    def dump(self) -> dict[str, Any]:
        """Return the state as JSON-able data."""
        return {"recipient": self.recipient, "seq": self.seq, "event": event_to_json(self.event),
                "due": self.due, "step": self.step, "repeats": self.repeats,
                "called": [list(c) for c in self.called]}

    @classmethod
    def load(cls, raw: Mapping[str, Any]) -> Call:
        """Restore what :meth:`dump` returned."""
        event = event_from_json(raw["event"])
        assert isinstance(event, AlarmTransition)  # noqa: S101 - written by dump()
        return cls(recipient=raw["recipient"], seq=raw["seq"], event=event, due=raw["due"],
                   step=raw["step"], repeats=raw["repeats"],
                   called=[(who, at) for who, at in raw["called"]])


@dataclass(slots=True)
class Bundle:
    """Items that wait to go to one person as one message."""

    person: str
    due: int
    since: int
    held: bool
    items: list[Item] = field(default_factory=list)

    def dump(self) -> dict[str, Any]:
        """Return the state as JSON-able data."""
        return {"person": self.person, "due": self.due, "since": self.since, "held": self.held,
                "items": [i.dump() for i in self.items]}

    @classmethod
    def load(cls, raw: Mapping[str, Any]) -> Bundle:
        """Restore what :meth:`dump` returned."""
        return cls(person=raw["person"], due=raw["due"], since=raw["since"], held=raw["held"],
                   items=[Item.load(i) for i in raw["items"]])
