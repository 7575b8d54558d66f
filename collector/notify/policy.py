"""Routes: the recipients of each event, and the person to call at an instant. No I/O, no state.

What follows over time (bursts, escalation, quiet hours) is in :mod:`.calls`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from collector.domain.events import (
    AlarmTransition,
    Event,
    Priority,
    Signal,
    SystemEvent,
    Transition,
    event_from_json,
    event_to_json,
)
from collector.domain.plant import Plant
from collector.domain.units import DAY, MINUTE, SECOND, duration_text, local_time
from collector.notify import (
    Message,
    NewsItem,
    alarm_message,
    digest,
    fact_message,
    link_line,
)
from collector.notify.brief import brief_message
from collector.notify.recipients import Recipient, Rota, Route, turns

GIVEN_UP = "delivery-given-up"
"""Event: a message was given up."""

NOT_THROUGH, RESUMED = "delivery-not-through", "delivery-resumed"
"""Events: a recipient is unreachable, and reachable again. Not sent themselves: the alarm of the
condition that evaluates them is."""

ESCALATED, UNANSWERED = "call-escalated", "call-unanswered"
"""Events: the next person was called; no acknowledgement, and no person left to call."""

ANNOUNCED = frozenset({
    "impairment-planned", "impairment-declared", "impairment-ending", "impairment-ended",
    "visit-planned", "visit-begun", "visit-ending", "visit-ended",
})
"""Events sent to all who would be called about the asset."""


class Kind:
    """Kinds of delivery, as the journal keeps them; further calls carry their number."""

    RAISED = "raised"
    RETURNED = "returned"
    ANSWERED = "answered"
    FACT = "fact"
    ESCALATED = "escalated"
    REPEATED = "repeated"


class NumberedEvent(Protocol):
    """An event with its number in the journal."""

    @property
    def seq(self) -> int:
        """Number of the event."""

    @property
    def event(self) -> Event:
        """The event itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """Waiting times (ms) during which messages to one person are joined, so a burst is one message.

    ``urgent`` is the longest wait of an alarm of high priority and of a further call, ``other``
    that of anything else. For ``spell`` after a message the next ones wait ``following``: they
    belong to the same trouble.
    """

    urgent: int = 10 * SECOND
    other: int = MINUTE
    following: int = MINUTE
    spell: int = 10 * MINUTE


def raised_at(event: AlarmTransition) -> int:
    """Return when (ms) this occurrence was raised: from its id, else the event's ``since``."""
    if event.transition is Transition.RAISED:
        return event.time
    seconds = event.id.rpartition(".")[2]
    return int(seconds) * 1000 if seconds.isdigit() else event.since


LinkMaker = Callable[[str, Sequence[str], int], tuple[str, int]]
"""Maps a person's id, occurrences and now to an address and its expiry."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """The routes in force. ``board`` is the address for people; ``stale_after`` in ms.

    An event older than ``stale_after`` is history and calls no person: otherwise the first start
    with recipients on an old journal would send years of alarms.
    """

    recipients: tuple[Recipient, ...]
    plant: Plant
    people: tuple[Recipient, ...] = ()
    rotas: Mapping[str, Rota] = field(default_factory=dict)
    board: str = ""
    link: LinkMaker | None = field(default=None, repr=False)
    stale_after: int = DAY
    together: Together = Together()

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.plant.site.timezone)

    def recipient(self, name: str) -> Recipient | None:
        """Return the recipient or person of that id, or ``None``."""
        return next((r for r in (*self.recipients, *self.people) if r.id == name), None)

    def reach(self, name: str, now: int, turn: int = 1) -> Recipient | None:
        """Return the recipient to call for ``name`` (person, recipient or rota) at ``now``.

        Of several with one address it is always the first, so that none is called twice.
        """
        found = self.recipient(name)
        rota = self.rotas.get(found.rota if found is not None and found.rota else name)
        if rota is not None and (found is None or found.rota):
            order = turns(rota, now)
            found = self.recipient(order[(turn - 1) % len(order)])
        if found is None or not found.to:
            return None
        return next(r for r in (*self.recipients, *self.people) if r.to == found.to)

    def is_history(self, event: Event, now: int) -> bool:
        """Whether the event is too old to be sent."""
        return now - event.time > self.stale_after

    def skipped(self, events: Iterable[NumberedEvent], now: int) -> int:
        """Return the number of events that have takers and are history."""
        return sum(
            self.is_history(n.event, now) and bool(self.takers(n.event)) for n in events
        )

    def takes(self, recipient: Recipient, event: AlarmTransition, at: int) -> bool:
        """Whether one of the recipient's routes matches this alarm at the instant ``at``."""
        local = local_time(at, self.zone)
        return any(self._matches(r, event) and r.open_at(local) for r in recipient.routes)

    def takers(self, event: Event) -> Sequence[Recipient]:
        """Return the recipients whose routes match the event; a return goes as its raising did."""
        match event:
            case AlarmTransition(transition=Transition.RAISED | Transition.RETURNED):
                back, at = event.transition is Transition.RETURNED, raised_at(event)
                return [r for r in self.recipients
                        if (r.returned or not back) and self.takes(r, event, at)]
            case SystemEvent():
                return [r for r in self.recipients if self._fact_for(r, event)]
            case _:
                return []

    def _matches(self, route: Route, event: AlarmTransition) -> bool:
        return (
            event.signal in route.signals
            and (not route.priorities or event.priority in route.priorities)
            and (not route.conditions or event.condition in route.conditions)
            and self._concerns(route, event.asset)
        )

    def _concerns(self, route: Route, asset: str) -> bool:
        return not route.things or bool(route.things & self._belongs_to(asset))

    def _belongs_to(self, asset: str) -> frozenset[str]:
        """Return the ids that match an asset: its own, its parent's, and a vent's riser."""
        own = {asset, asset.rpartition(".")[0]}
        return frozenset(own | {v.riser for v in self.plant.vents.values() if v.id in own})

    def _fact_for(self, recipient: Recipient, event: SystemEvent) -> bool:
        """Whether an event of the collector goes to this recipient.

        Never one about its own being unreachable: two recipients that both fail would otherwise
        cause messages to each other for ever.
        """
        if event.fact in (NOT_THROUGH, RESUMED, ESCALATED):
            return False
        if event.fact == GIVEN_UP:
            who = self.reach(recipient.id, event.time)
            failed = event.values.get("recipient")
            if event.values.get("kind") == Kind.FACT or who is None or failed == who.id:
                return False
        local = local_time(event.time, self.zone)
        if event.fact in ANNOUNCED and not recipient.wants_events:
            return any(Signal.SUPERVISORY in r.signals and self._announced(r, event.asset)
                       and r.open_at(local) for r in recipient.routes)
        return recipient.facts and any(r.open_at(local) for r in recipient.routes)

    def _announced(self, route: Route, asset: str) -> bool:
        whole = asset == self.plant.site.id or asset in self.plant.generators
        return whole or self._concerns(route, asset)


LINK_ROOM = 80
"""Longest address that leaves room for a title and a value in a short message."""
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
        return {"kind": self.kind, "seq": self.seq, "event": event_to_json(self.event),
                "note": self.note, "number": self.number}

    @classmethod
    def load(cls, raw: Mapping[str, Any]) -> Item:
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
    pairs = _with_returns(items)
    linked = list(dict.fromkeys(i.occurrence for i in items if i.calls))[:LINKED]
    link = ""
    if policy.link is not None and linked and who is not None and not who.wants_events:
        address, expires = policy.link(who.id, linked, now)
        link = link_line(address, expires, policy.zone, len(linked))
    else:
        address = board
    news = [NewsItem(event=i.event, note=i.note, calls=i.calls, back=back) for i, back in pairs]
    if who is not None and who.brief:
        return brief_message(news, plant, link=address if len(address) <= LINK_ROOM else board)
    if len(news) > 1 or held is not None:
        return digest(news, plant, board=board, link=link, held=held)
    ((item, back),) = pairs
    if isinstance(item.event, SystemEvent):
        return fact_message(item.event, plant)
    return alarm_message(item.event, plant, board=board, link=link, note=item.note,
                         number=item.number, back=back)


def _with_returns(items: Sequence[Item]) -> list[tuple[Item, AlarmTransition | None]]:
    """Pair each call with the return of its alarm, when that is among the items too.

    The return then has no item of its own: a person must not read of an emergency first, and of
    its end further down.
    """
    returns = {i.occurrence: i.event for i in items if i.kind == Kind.RETURNED
               and isinstance(i.event, AlarmTransition)}
    called = {i.occurrence for i in items if i.calls}
    return [(i, returns.get(i.occurrence) if i.calls else None) for i in items
            if not (i.kind == Kind.RETURNED and i.occurrence in called)]


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
        return {"recipient": self.recipient, "seq": self.seq, "event": event_to_json(self.event),
                "due": self.due, "step": self.step, "repeats": self.repeats,
                "called": [list(c) for c in self.called]}

    @classmethod
    def load(cls, raw: Mapping[str, Any]) -> Call:
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
        return {"person": self.person, "due": self.due, "since": self.since, "held": self.held,
                "items": [i.dump() for i in self.items]}

    @classmethod
    def load(cls, raw: Mapping[str, Any]) -> Bundle:
        return cls(person=raw["person"], due=raw["due"], since=raw["since"], held=raw["held"],
                   items=[Item.load(i) for i in raw["items"]])
