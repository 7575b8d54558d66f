"""Applies the messages of a group to its sites; returns what to store and to send. No I/O."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from dataclasses import dataclass, field

from collector.domain.conditions import CATALOGUE
from collector.domain.events import AlarmTransition, Transition
from collector.fleet import Group
from collector.fleet.hub_messages import MessageInvalid, read_event, read_mark, read_sparkplug
from collector.fleet.hub_state import ReceivedValue, SiteState
from collector.fleet.hub_store import DeadLetter, ReceivedEvent
from collector.forward.mqtt import Message, Received
from collector.forward.sparkplug import Metric, Payload, encode
from collector.forward.sparkplug.edge_node import NAMESPACE, REBIRTH

_log = logging.getLogger(__name__)

_ASK_AGAIN = 30_000
_GRACE = 15_000
"""ms after the death of a site before it counts as silent."""
_WARN_EVERY = 10_000
"""ms between two log lines about messages that are not accepted."""


@dataclass(slots=True, kw_only=True)
class Counts:
    """Counts of received messages since the start."""

    messages: int = 0
    values: int = 0
    events: int = 0
    repeated: int = 0
    dead_letters: int = 0
    rebirths: int = 0
    lost: int = 0
    """Events that sites have sent and that never arrived."""


@dataclass(slots=True, kw_only=True)
class HandledMessages:
    """The result of a batch of messages: what to store and to send."""

    events: list[ReceivedEvent] = field(default_factory=list)
    values: list[tuple[SiteState, list[ReceivedValue]]] = field(default_factory=list)
    ask: list[Message] = field(default_factory=list)
    changed: set[str] = field(default_factory=set)
    dead: list[DeadLetter] = field(default_factory=list)


class MessageHandler:
    """Handles the messages of one group. ``states`` are its sites as stored."""

    def __init__(
        self, group: Group, states: dict[str, SiteState], counts: Counts, silent_after: int,
    ) -> None:
        self._group, self.states, self._counts = group, states, counts
        self._silent_after = silent_after
        self._warned_at: int | None = None
        self._unreported = 0

    def __repr__(self) -> str:
        return f"MessageHandler({self._group.id}, {len(self.states)} sites)"

    @property
    def topics(self) -> list[tuple[str, int]]:
        """The topics to subscribe to."""
        base, prefix = f"{NAMESPACE}/{self._group.id}", self._group.events_prefix
        return [(f"{base}/+/+", 1), (f"{base}/+/+/+", 1), (f"{prefix}/+/events", 1),
                (f"{prefix}/+/mark", 1)]

    def handle(self, messages: Iterable[Received], now: int) -> HandledMessages:
        handled = HandledMessages()
        for message in messages:
            self._counts.messages += 1
            try:
                self._one(message, now, handled)
            except MessageInvalid as exc:
                self._dead_letter(message, str(exc), now, handled)
            except Exception as exc:  # a fault of ours: it must not stop the group, nor be lost
                _log.exception("a valid message could not be applied")
                self._dead_letter(message, f"not applied: {type(exc).__name__}: {exc}", now,
                                  handled)
        return handled

    def _dead_letter(
        self, message: Received, reason: str, now: int, handled: HandledMessages,
    ) -> None:
        """Add a message to the dead letters, with one log line for many."""
        handled.dead.append(DeadLetter(
            topic=message.topic, payload=message.payload, reason=reason[:500], time=now))
        self._counts.dead_letters += 1
        self._unreported += 1
        if self._warned_at is None or not 0 <= now - self._warned_at < _WARN_EVERY:
            _log.warning("messages are not accepted and kept as dead letters", extra={
                "group": self._group.id, "topic": message.topic[:200], "reason": reason[:200],
                "messages": self._unreported})
            self._warned_at, self._unreported = now, 0

    def _one(self, message: Received, now: int, handled: HandledMessages) -> None:
        parts = message.topic.split("/")
        if parts[0] == NAMESPACE and len(parts) in (4, 5) and parts[1] == self._group.id:
            self._sparkplug(parts[2], parts[3], "/".join(parts[4:]), message, now, handled)
            return
        site, kind = (parts[-2], parts[-1]) if len(parts) > 2 else ("", "")
        if kind == "mark":
            mark = read_mark(message.payload, site)
            self._state(site, now).mark(mark, now)
        elif kind == "events":
            journal, seq, event = read_event(message.payload, site)
            state = self._state(site, now)
            handled.events.append(ReceivedEvent(site=site, journal=journal, seq=seq, event=event))
            state.numbers.received(journal, seq)
            state.heard = now
        else:
            raise MessageInvalid("nothing is expected on this topic")
        handled.changed.add(site)

    def _sparkplug(
        self, verb: str, site: str, thing: str, message: Received, now: int,
        handled: HandledMessages,
    ) -> None:
        payload = read_sparkplug(verb, site, thing, message.payload)
        state = self._state(site, now)
        values, wrong = state.apply(verb, thing, payload, now)
        handled.changed.add(site)
        self._counts.values += len(values)
        if values:
            handled.values.append((state, values))
        if wrong and now - state.rebirth_asked >= _ASK_AGAIN:
            state.rebirth_asked = now
            self._counts.rebirths += 1
            handled.ask.append(self.rebirth(site, now))

    def _state(self, site: str, now: int) -> SiteState:
        if site not in self.states:
            self.states[site] = SiteState(group=self._group.id, site=site, since=now)
        return self.states[site]

    def rebirth(self, site: str, now: int) -> Message:
        """Return the request for new births of a site."""
        payload = encode(Payload(time=now, metrics=(Metric(name=REBIRTH, value=True, time=now),)))
        return Message(topic=f"{NAMESPACE}/{self._group.id}/NCMD/{site}", payload=payload, qos=1)

    # -- events the broker holds back -------------------------------------------------------------

    def missing(self, now: int) -> list[str]:
        """Return the sites with events to fetch by resuming the session, each once."""
        for state in self.states.values():
            missing = state.numbers.given_up(now)
            if missing:
                self._counts.lost += missing
                _log.error("events that a site sent never came", extra={
                    "site": state.site, "events": missing})
        return [s.site for s in self.states.values() if s.numbers.resume_due(now)]

    # -- silence ---------------------------------------------------------------------------------

    def silences(self, now: int, listening_since: int) -> HandledMessages:
        """Return events of the hub's own about sites that became silent or report again."""
        handled = HandledMessages()
        for state in self.states.values():
            silent = state.is_silent(now, listening_since, self._silent_after, _GRACE)
            if silent and state.silent is None:
                state.silent = min(now, state.since if not state.online else state.heard)
                handled.events.append(_silence_event(state, Transition.RAISED, now, state.silent))
            elif not silent and state.silent is not None and state.online:
                handled.events.append(_silence_event(state, Transition.RETURNED, now, state.silent))
                state.silent = None
            else:
                continue
            handled.changed.add(state.site)
        return handled


def _silence_event(state: SiteState, transition: Transition, now: int, since: int) -> ReceivedEvent:
    about = CATALOGUE["site-silent"]
    name = state.name or state.site
    if transition is Transition.RETURNED:
        text = f"{name} reports again after {(now - since) // 1000} s."
    elif not state.online:
        text = (f"{name} is stopped, or its line was cut: its death certificate came and no "
                "birth since. Silent is not normal: call the site.")
    else:
        text = (f"Nothing received from {name} for {(now - since) // 1000} s. "
                "Silent is not normal: call the site.")
    text += "".join(f"\nCheck: {cause}." for cause in about.causes) \
        if transition is Transition.RAISED else ""
    event = AlarmTransition(
        time=now, site=state.site, condition=about.id, asset=state.site, transition=transition,
        priority=about.priority, signal=about.signal, since=since, text=text,
        id=f"{about.id}.{state.site}.{since // 1000}",
        values={"silent_seconds": (now - since) // 1000},
    )
    # The hub's own events are numbered by their time: one site has one at a time.
    return ReceivedEvent(site=state.site, journal="hub", seq=now, event=event)
