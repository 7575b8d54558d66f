"""Conditions of the collector itself: its clock, its journal, its messages.

They take no readings but the daemon's own events.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

from collector.domain.events import SystemEvent
from collector.domain.units import MINUTE
from collector.rules.base import Context, RawEvaluation, Rule, State, Values, number


class _OfFacts(Rule):
    """A rule that takes system events only. Its alarm stays for a while, so that it is seen."""

    facts: ClassVar[frozenset[str]]

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset, inputs=(), needs=())
        self._stay = int(number(self.settings, "stay") or 0)


@dataclass(slots=True, kw_only=True)
class _ClockState(State):
    began_at: int | None = None
    until_at: int | None = None
    seconds: float = 0.0
    times: int = 0


class ClockJump(_OfFacts):
    """The machine's clock was set by more than it may drift.

    A change to or from daylight saving is none: instants are kept in UTC, which knows no such
    change. The alarm stays for a while after the last jump, since a jump itself has no length.
    """

    condition = "clock-jump"
    facts = frozenset({"clock-set"})
    state: _ClockState

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset)
        self._limit = number(self.settings, "limit") or 0.0
        self.state = _ClockState()

    def apply_event(self, event: SystemEvent) -> bool:
        seconds, s = event.values.get("seconds"), self.state
        if not isinstance(seconds, int | float) or abs(seconds) * 1000 < self._limit:
            return False
        if s.until_at is None or event.time >= s.until_at:
            s.began_at, s.times = event.time, 0
        s.seconds, s.times, s.until_at = float(seconds), s.times + 1, event.time + self._stay
        return True

    def evaluate(self, now: int) -> RawEvaluation:
        s = self.state
        if s.until_at is not None and now < s.until_at:
            return RawEvaluation.active(s.began_at)
        return RawEvaluation.inactive(s.until_at)

    def next_evaluation_at(self, now: int) -> int | None:
        until = self.state.until_at
        return until if until is not None and until > now else None

    def describe(self, now: int) -> tuple[Values, str]:
        s, words = self.state, self.words
        by = words.duration(round(abs(s.seconds) * 1000))
        more = f" It was set {s.times} times since." if s.times > 1 else ""
        numbers = (
            f"The clock of the machine that watches was set {by} "
            f"{'forward' if s.seconds > 0 else 'back'}.{more} Readings keep the time they had; "
            "durations across the jump are counted again."
        )
        values: Values = {"jump_seconds": round(s.seconds, 1), "jumps": s.times}
        return values, words.message(self.about, self.asset, since=s.began_at, numbers=numbers)


@dataclass(slots=True, kw_only=True)
class _JournalState(State):
    began_at: int | None = None
    ended_at: int | None = None
    until_at: int | None = None
    why: str = ""


class JournalTrouble(_OfFacts):
    """The journal cannot be written, or a damaged one had to be replaced."""

    condition = "journal-trouble"
    facts = frozenset({"journal-trouble-begun", "journal-trouble-ended", "journal-replaced"})
    state: _JournalState

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset)
        self.state = _JournalState()

    def apply_event(self, event: SystemEvent) -> bool:
        s = self.state
        if event.fact == "journal-trouble-ended":
            s.began_at, s.ended_at = None, event.time
        elif event.fact == "journal-trouble-begun":
            if s.began_at is None:
                s.began_at = event.time
            s.why = event.text
        else:
            s.until_at, s.why = event.time + self._stay, event.text
        return True

    def evaluate(self, now: int) -> RawEvaluation:
        s = self.state
        if s.began_at is not None:
            return RawEvaluation.active(s.began_at)
        if s.until_at is not None and now < s.until_at:
            return RawEvaluation.active(s.until_at - self._stay)
        ends = [t for t in (s.ended_at, s.until_at) if t is not None]
        return RawEvaluation.inactive(max(ends, default=None))

    def next_evaluation_at(self, now: int) -> int | None:
        until = self.state.until_at
        return until if until is not None and until > now else None

    def describe(self, now: int) -> tuple[Values, str]:
        s, since = self.state, self.evaluate(now).since
        lasted = now - since if since is not None else 0
        numbers = f"{s.why.rstrip('.')}."
        if s.began_at is not None:
            numbers += (
                f" It lasts for {self.words.duration(lasted)} now. Until it ends, readings are "
                "kept in memory only and no message goes out; what is in memory is lost with the "
                "power."
            )
        values: Values = {"trouble_minutes": round(lasted / MINUTE, 1)}
        return values, self.words.message(self.about, self.asset, since=since, numbers=numbers)


@dataclass(slots=True, kw_only=True)
class _DeliveryState(State):
    failing: dict[str, dict[str, int]] = field(default_factory=dict)
    """Recipient to ``began_at``, ``until_at`` and the count of messages given up."""
    ended_at: int | None = None


class DeliveryFailing(_OfFacts):
    """Messages to a recipient are not delivered, or a remote endpoint refuses forwarded data.

    A message given up raises it at once, failing attempts after a while. It ends when a message
    reaches them again, or when none was due to them for long. Forwarding gives nothing up.
    """

    condition = "delivery-failing"
    facts = frozenset({
        "delivery-not-through", "delivery-given-up", "delivery-resumed",
        "forwarding-not-through", "forwarding-resumed",
    })
    state: _DeliveryState

    def __init__(self, context: Context, asset: str) -> None:
        super().__init__(context, asset)
        self._limit = int(number(self.settings, "limit") or 0)
        self.state = _DeliveryState()

    def apply_event(self, event: SystemEvent) -> bool:
        forwarded = event.fact.startswith("forwarding")
        who = str(event.values.get("target" if forwarded else "recipient", ""))
        failing = self.state.failing
        if event.fact.endswith("-resumed"):
            if failing.pop(who, None) is not None:
                self.state.ended_at = event.time
            return True
        row = failing.setdefault(who, {"began_at": event.time, "until_at": 0, "given_up": 0})
        row["until_at"] = event.time + self._stay
        row["given_up"] += event.fact == "delivery-given-up"
        if forwarded:
            row["forwarded"] = 1
        return True

    def evaluate(self, now: int) -> RawEvaluation:
        failing = self.state.failing
        for who in [w for w, row in failing.items() if row["until_at"] <= now]:
            self.state.ended_at = failing.pop(who)["until_at"]
        reported = self._reported(now)
        if reported:
            return RawEvaluation.active(min(row["began_at"] for row in reported.values()))
        return RawEvaluation.inactive(self.state.ended_at)

    def _reported(self, now: int) -> dict[str, dict[str, int]]:
        return {
            who: row for who, row in self.state.failing.items()
            if row["given_up"] or now >= row["began_at"] + self._limit
        }

    def next_evaluation_at(self, now: int) -> int | None:
        times = [t for row in self.state.failing.values()
                 for t in (row["until_at"], row["began_at"] + self._limit)]
        return min((t for t in times if t > now), default=None)

    def describe(self, now: int) -> tuple[Values, str]:
        failing = self._reported(now)
        lost = sum(row["given_up"] for row in failing.values())
        since = min((row["began_at"] for row in failing.values()), default=now)
        people = [w for w, row in failing.items() if "forwarded" not in row]
        ends = [w for w in failing if w not in people]
        numbers = []
        if people:
            many = f"{lost} given up so far." if lost \
                else "None given up yet; they are tried again."
            numbers.append(f"Messages to {', '.join(people)} do not get through. {many} The "
                           "people they are for do not know what the board shows.")
        if ends:
            numbers.append(f"{', '.join(ends)} does not take what is forwarded. The journal keeps "
                           "it until it can be sent; it is not seen there meanwhile.")
        values: Values = {"recipients": ", ".join(failing), "given_up": lost}
        return values, self.words.message(self.about, self.asset, since=since,
                                          numbers=" ".join(numbers))
