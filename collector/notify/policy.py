"""Who gets which message: facts in, deliveries out, no I/O and no memory.

A return is told to whoever was told of the raising. Nobody has to remember who that was: the
occurrence id carries the moment of raising, so the same question is simply asked again for that
moment. A restart, a replay and the live run therefore agree.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol
from zoneinfo import ZoneInfo

from collector.domain.deliveries import NewDelivery
from collector.domain.events import AlarmMoved, Event, FactNoted, Transition, event_to_json
from collector.domain.plant import Plant
from collector.notify.message import Message, alarm_message, fact_message, local_time
from collector.notify.recipients import Recipient, Route

__all__ = ["GIVEN_UP", "NOT_THROUGH", "RESUMED", "Kind", "NumberedEvent", "Policy", "raised_at"]

GIVEN_UP = "delivery-given-up"
"""The fact that a message was given up."""

NOT_THROUGH, RESUMED = "delivery-not-through", "delivery-resumed"
"""The facts that tries to reach somebody fail, and that they do no longer. Not told as facts: the
condition that is made of them is."""

DAY = 86_400_000


class Kind:
    """Kinds of delivery, as the journal keeps them."""

    RAISED = "raised"
    RETURNED = "returned"
    FACT = "fact"


class NumberedEvent(Protocol):
    """An event with its number in the journal."""

    @property
    def seq(self) -> int:
        """Its number."""

    @property
    def event(self) -> Event:
        """The event itself."""


def raised_at(event: AlarmMoved) -> int:
    """Return when this occurrence was raised, ms: from its id, else the event's own ``since``."""
    if event.transition is Transition.RAISED:
        return event.time
    seconds = event.id.rpartition(".")[2]
    return int(seconds) * 1000 if seconds.isdigit() else event.since


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """The routes in force. ``board`` is the address for people; ``stale_after`` in ms.

    What happened longer ago than ``stale_after`` is history and calls nobody: without that, the
    first start with recipients on an old journal would send years of alarms.
    """

    recipients: tuple[Recipient, ...]
    plant: Plant
    board: str = ""
    stale_after: int = DAY

    def decide(self, events: Iterable[NumberedEvent], now: int) -> list[NewDelivery]:
        """Return the messages that these events call for, in order, none twice to one address."""
        made: list[NewDelivery] = []
        seen: set[tuple[str, str]] = set()
        for numbered in events:
            kind = _kind(numbered.event)
            if kind is None or self._is_history(numbered.event, now):
                continue
            for recipient in self._takers(numbered.event):
                key = (recipient.to, _identity(numbered.event, numbered.seq))
                if key not in seen:
                    seen.add(key)
                    made.append(self._delivery(recipient, numbered, kind, now))
        return made

    def passed_over(self, events: Iterable[NumberedEvent], now: int) -> int:
        """Return how many events somebody would have been told of, had they not been history."""
        return sum(
            self._is_history(n.event, now) and bool(self._takers(n.event)) for n in events
        )

    def _is_history(self, event: Event, now: int) -> bool:
        return now - event.time > self.stale_after

    def takes(self, recipient: Recipient, event: AlarmMoved, at: int) -> bool:
        """Whether one of the recipient's routes takes this alarm at the instant ``at``."""
        local = local_time(at, ZoneInfo(self.plant.site.timezone))
        return any(self._matches(r, event) and r.open_at(local) for r in recipient.routes)

    def _takers(self, event: Event) -> Sequence[Recipient]:
        match event:
            case AlarmMoved(transition=Transition.RAISED):
                return [r for r in self.recipients if self.takes(r, event, event.time)]
            case AlarmMoved(transition=Transition.RETURNED):
                at = raised_at(event)
                return [r for r in self.recipients if r.returned and self.takes(r, event, at)]
            case FactNoted():
                return [r for r in self.recipients if r.facts and self._fact_for(r, event)]
            case _:
                return []

    def _matches(self, route: Route, event: AlarmMoved) -> bool:
        return (
            event.signal in route.signals
            and (not route.priorities or event.priority in route.priorities)
            and (not route.conditions or event.condition in route.conditions)
            and (not route.things or bool(route.things & self._belongs_to(event.asset)))
        )

    def _belongs_to(self, asset: str) -> frozenset[str]:
        """Return the ids an asset answers to: its own, its thing's, and a vent's riser."""
        own = {asset, asset.rpartition(".")[0]}
        return frozenset(own | {v.riser for v in self.plant.vents.values() if v.id in own})

    def _fact_for(self, recipient: Recipient, event: FactNoted) -> bool:
        """Whether a fact goes to this recipient: never news of its own silence, never in circles.

        Two recipients that both fail would otherwise tell each other of it for ever.
        """
        if event.fact in (NOT_THROUGH, RESUMED):
            return False
        if event.fact == GIVEN_UP and (
            event.values.get("kind") == Kind.FACT or event.values.get("recipient") == recipient.id
        ):
            return False
        local = local_time(event.time, ZoneInfo(self.plant.site.timezone))
        return any(route.open_at(local) for route in recipient.routes)

    def _delivery(
        self, recipient: Recipient, numbered: NumberedEvent, kind: str, now: int
    ) -> NewDelivery:
        message = self._message(numbered.event)
        body = event_to_json(numbered.event) if recipient.wants_events else message.body
        return NewDelivery(
            recipient=recipient.id, subject=message.subject, body=body,
            event_seq=numbered.seq, due=now, kind=kind,
        )

    def _message(self, event: Event) -> Message:
        if isinstance(event, AlarmMoved):
            return alarm_message(event, self.plant, board=self.board)
        assert isinstance(event, FactNoted), event
        return fact_message(event, self.plant)


def _kind(event: Event) -> str | None:
    match event:
        case AlarmMoved(transition=Transition.RAISED):
            return Kind.RAISED
        case AlarmMoved(transition=Transition.RETURNED):
            return Kind.RETURNED
        case FactNoted():
            return Kind.FACT
        case _:
            return None


def _identity(event: Event, seq: int) -> str:
    if isinstance(event, AlarmMoved):
        return f"{event.id} {event.transition.value} {event.time}"
    return f"event {seq}"
