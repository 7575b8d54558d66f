"""The state of calls: bursts, quiet hours, escalations and repeats.

Pure: :func:`decide` takes the state, the events since, and the time; it returns messages, events
and the new state. The worker writes messages and state in one transaction with its cursor, so that
a process that is killed neither calls twice nor omits a call.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from collector.domain.events import (
    AlarmTransition,
    Priority,
    Signal,
    SystemEvent,
    Transition,
    event_to_json,
)
from collector.domain.messages import BY_LINK, NewDelivery
from collector.domain.units import MINUTE, duration_text, local_time
from collector.notify import Message, title_and_place
from collector.notify.policy import (
    ESCALATED,
    GIVEN_UP,
    UNANSWERED,
    Bundle,
    Call,
    Item,
    Kind,
    NumberedEvent,
    Policy,
    bundle_message,
    called_line,
)
from collector.notify.recipients import Recipient

_ANSWERS = frozenset({
    Transition.ACKNOWLEDGED, Transition.SHELVED, Transition.SUPPRESSED, Transition.OUT_OF_SERVICE,
})


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """The outcome of a decision: messages to send, events to record, the new state."""

    deliveries: tuple[NewDelivery, ...]
    facts: tuple[SystemEvent, ...]
    state: Mapping[str, Any]


def decide(
    policy: Policy, state: Mapping[str, Any], events: Iterable[NumberedEvent], now: int,
) -> Decided:
    """Return the messages and events due after these events and the time that has passed.

    ``state`` is that of the last decision, or empty; it is not changed.
    """
    decision = _Decision(policy, state, now)
    for numbered in events:
        decision.apply(numbered)
    decision.escalate()
    decision.release()
    return Decided(deliveries=tuple(decision.made), facts=tuple(decision.facts),
                   state=decision.dump())


def next_due(state: Mapping[str, Any]) -> int | None:
    """Return the instant (ms) at which the next call or message is due, or ``None``."""
    waits = [raw["due"] for kind in ("calls", "bundles") for raw in state.get(kind, ())]
    return min((due for due in waits if due is not None), default=None)


class _Decision:
    """One decision in progress."""

    def __init__(self, policy: Policy, state: Mapping[str, Any], now: int) -> None:
        self.policy, self.now = policy, now
        self.calls = [Call.load(raw) for raw in state.get("calls", ())]
        self.bundles = [Bundle.load(raw) for raw in state.get("bundles", ())]
        self.last: dict[str, int] = dict(state.get("last", {}))
        self.made: list[NewDelivery] = []
        self.facts: list[SystemEvent] = []
        self.seen: set[tuple[str, str]] = set()

    def dump(self) -> dict[str, Any]:
        """Return the new state as JSON-able data."""
        recent = {who: at for who, at in self.last.items()
                  if self.now - at < self.policy.together.spell}
        return {"calls": [c.dump() for c in self.calls],
                "bundles": [b.dump() for b in self.bundles], "last": recent}

    # -- events ----------------------------------------------------------------------------------

    def apply(self, numbered: NumberedEvent) -> None:
        """Apply one event."""
        event = numbered.event
        match event:
            case SystemEvent():
                if event.fact == GIVEN_UP:
                    self._call_another(str(event.values.get("recipient")))
                if not self.policy.is_history(event, self.now):
                    self._put_to_takers(event, Item(Kind.FACT, numbered.seq, event))
            case AlarmTransition(transition=Transition.RAISED):
                if not self.policy.is_history(event, self.now):
                    self._raised(event, numbered.seq)
            case AlarmTransition(transition=Transition.RETURNED):
                self._returned(event, numbered.seq)
            case AlarmTransition() if event.transition in _ANSWERS:
                self._answered(event, numbered.seq)
            case AlarmTransition():
                self._forget(event.id)

    def _raised(self, event: AlarmTransition, seq: int) -> None:
        for recipient in self.policy.takers(event):
            who = self.policy.reach(recipient.id, self.now)
            if who is None or any(c.recipient == recipient.id for c in self._of(event.id)):
                continue
            self._put(recipient, who, Item(Kind.RAISED, seq, event))
            escalates = recipient.escalates and event.signal is not Signal.SERVICE
            first = recipient.escalate[0].after if recipient.escalate else recipient.repeat
            self.calls.append(Call(
                recipient=recipient.id, seq=seq, event=event,
                due=self.now + first if escalates else None, called=[(who.id, self.now)],
            ))

    def _call_another(self, person: str) -> None:
        """Make due at once what waits for a person whom no message reaches."""
        for call in self.calls:
            if call.due is not None and call.called and call.called[-1][0] == person:
                call.due = self.now

    def _of(self, occurrence: str) -> list[Call]:
        return [c for c in self.calls if c.event.id == occurrence]

    def _forget(self, occurrence: str) -> None:
        self.calls = [c for c in self.calls if c.event.id != occurrence]

    def _returned(self, event: AlarmTransition, seq: int) -> None:
        item, calls = Item(Kind.RETURNED, seq, event), self._of(event.id)
        self._forget(event.id)
        if self.policy.is_history(event, self.now):
            return
        if not calls:
            # Raised before this state began: to those who would have been called then.
            self._put_to_takers(event, item)
        for call in calls:
            recipient = self.policy.recipient(call.recipient)
            for who in self._people(call) if recipient is not None and recipient.returned else ():
                self._put(recipient or who, who, item)

    def _answered(self, event: AlarmTransition, seq: int) -> None:
        """Stop calling about an alarm; inform the people called, where they are several."""
        calls, withdrawn = self._of(event.id), self._withdraw(event.id)
        for call in calls:
            call.due = None
            called = Counter(who for who, _ in call.called)
            call.called = [c for c in call.called if called[c[0]] > withdrawn[c[0]]]
        people = {who.id: who for call in calls for who in self._people(call)
                  if not who.wants_events}
        for who in people.values() if len(people) > 1 else ():
            if event.by.removesuffix(BY_LINK) not in (who.id, who.name):
                self._put(who, who, Item(Kind.ANSWERED, seq, event))

    def _withdraw(self, occurrence: str) -> Counter[str]:
        """Remove calls about an occurrence that were not sent yet; count them by person."""
        withdrawn: Counter[str] = Counter()
        for bundle in self.bundles:
            kept = [i for i in bundle.items if not (i.calls and i.occurrence == occurrence)]
            withdrawn[bundle.person] += len(bundle.items) - len(kept)
            bundle.items = kept
        self.bundles = [b for b in self.bundles if b.items]
        return withdrawn

    def _people(self, call: Call) -> list[Recipient]:
        """Return the people a call has called, each once, if the site file still has them."""
        names = dict.fromkeys(who for who, _ in call.called)
        found = [self.policy.reach(name, self.now) for name in names]
        return [who for who in found if who is not None]

    def _put_to_takers(self, event: AlarmTransition | SystemEvent, item: Item) -> None:
        for recipient in self.policy.takers(event):
            who = self.policy.reach(recipient.id, self.now)
            if who is not None:
                self._put(recipient, who, item)

    # -- time ------------------------------------------------------------------------------------

    def escalate(self) -> None:
        """Call the next person wherever an acknowledgement is overdue."""
        for call in self.calls:
            if call.due is not None and call.due <= self.now:
                self._next_call(call)

    def _next_call(self, call: Call) -> None:
        recipient = self.policy.recipient(call.recipient)
        if recipient is None:
            call.due = None
            return
        if call.step < len(recipient.escalate):
            step = recipient.escalate[call.step]
            call.step += 1
            found = self.policy.reach(step.call, self.now, step.turn)
            people, kind = [found] if found is not None else [], f"{Kind.ESCALATED}-{call.step}"
        elif call.repeats < recipient.repeats:
            call.repeats += 1
            people, kind = self._people(call), f"{Kind.REPEATED}-{call.repeats}"
        else:
            call.due = None
            self._record_event(UNANSWERED, call, [])
            return
        later = recipient.escalate[call.step:]
        call.due = self.now + (later[0].after if later else recipient.repeat)
        note = self._story(call)
        for who in people:
            self._put(recipient, who, Item(kind, call.seq, call.event, note, call.step
                                           + call.repeats + 1))
            call.called.append((who.id, self.now))
        self._record_event(ESCALATED, call, people)

    def _story(self, call: Call) -> str:
        called = [(who.called if (who := self.policy.recipient(name)) is not None else name, at)
                  for name, at in call.called]
        return called_line(self.now - call.event.time, called, self.policy.zone)

    def _record_event(self, fact: str, call: Call, people: list[Recipient]) -> None:
        what, names = title_and_place(call.event, self.policy.plant), [p.called for p in people]
        lasted = duration_text(max(self.now - call.event.time, 0))
        said = f"{', '.join(names)} called" if people else "No one else is called"
        self.facts.append(SystemEvent(
            time=self.now, site=self.policy.plant.site.id, fact=fact, asset=call.event.asset,
            text=f"{what}: not acknowledged for {lasted}. {said}.",
            values={"alarm": call.event.id, "recipients": ", ".join(p.id for p in people),
                    "calls": call.step + call.repeats + 1},
        ))

    # -- messages --------------------------------------------------------------------------------

    def _put(self, recipient: Recipient, who: Recipient, item: Item) -> None:
        """Add an item to the person's next message, unless they have it already."""
        key = (who.id, item.identity)
        if key in self.seen:
            return
        self.seen.add(key)
        if who.wants_events:
            # A web hook gets every event at once, each alone.
            self._send(who.id, item, replace(bundle_message([item], self.policy, who, self.now),
                                             body=event_to_json(item.event)))
            return
        until = self._quiet_until(recipient, item)
        due = until if until is not None else self.now + self._window(who.id, item)
        bundle = next((b for b in self.bundles
                       if b.person == who.id and b.held is (until is not None)), None)
        if bundle is None:
            bundle = Bundle(person=who.id, due=due, since=self.now, held=until is not None)
            self.bundles.append(bundle)
        bundle.due = min(bundle.due, due)
        if not (item.calls and any(i.calls and i.occurrence == item.occurrence
                                   for i in bundle.items)):
            bundle.items.append(item)

    def _window(self, person: str, item: Item) -> int:
        together = self.policy.together
        last = self.last.get(person)
        if last is not None and self.now - last < together.spell and not item.note:
            return together.following
        high = isinstance(item.event, AlarmTransition) and item.event.priority is Priority.HIGH
        return together.urgent if item.note or (item.calls and high) else together.other

    def _quiet_until(self, recipient: Recipient, item: Item) -> int | None:
        """Return the end (ms) of the quiet hours that hold this item, or ``None``."""
        event = item.event
        if not isinstance(event, AlarmTransition) or event.signal is not Signal.SERVICE:
            return None
        zone, at = self.policy.zone, self.now

        def in_quiet_hours(instant: int) -> bool:
            local = local_time(instant, zone)
            return any(hours.day_of(local) is not None for hours in recipient.quiet)

        if not recipient.quiet or not in_quiet_hours(at):
            return None
        for minute in range(1, 2 * 1440):
            # Minute by minute: however the clocks change in between.
            later = (at // MINUTE + minute) * MINUTE
            if not in_quiet_hours(later):
                return later
        return None  # quiet all day: nothing would ever be sent

    def release(self) -> None:
        """Send the messages whose wait is over."""
        for bundle in [b for b in self.bundles if b.due <= self.now]:
            self.bundles.remove(bundle)
            items = sorted(bundle.items, key=Item.urgency)
            who = self.policy.recipient(bundle.person)
            message = bundle_message(items, self.policy, who, self.now,
                                     held=bundle.since if bundle.held else None)
            self._send(bundle.person, items[0], message)
            self.last[bundle.person] = self.now

    def _send(self, person: str, first: Item, message: Message) -> None:
        self.made.append(NewDelivery(
            recipient=person, subject=message.subject, body=message.body,
            event_seq=first.seq, due=self.now, kind=first.kind,
        ))
