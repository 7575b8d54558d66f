"""Calls over time: bursts, rota, escalation, repeats, quiet hours, returns."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, time
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from collector.clock import format_instant, parse_instant
from collector.domain.events import (
    AlarmTransition,
    Event,
    Priority,
    Signal,
    SystemEvent,
    Transition,
)
from collector.domain.messages import NewDelivery
from collector.domain.plant import Plant
from collector.notify.calls import decide, next_due
from collector.notify.policy import Policy
from collector.notify.recipients import Recipient, Rota, Route, Step, parse_hours
from tests.notify.conftest import Numbered, alarm

MIN, HOUR = 60_000, 3_600_000
NIGHT = parse_instant("2026-01-14T02:00:00Z")
"""A Wednesday in Ben's week."""
EVERYTHING = Route(signals=frozenset(Signal))


def person(name: str) -> Recipient:
    return Recipient(id=name, name=f"{name.title()} Archer", routes=(),
                     to=f"mailto://mail.example/?to={name}@example.org")


class Story:
    """A policy, what it remembers, and what it has sent, on a clock that the test turns."""

    def __init__(self, plant: Plant, *recipients: Recipient, now: int = NIGHT) -> None:
        rota = Rota(id="weeks", zone=ZoneInfo("Europe/London"), begins=date(2026, 1, 5),
                    people=("ann", "ben", "cat"), hand_over=time(8))
        self.policy = Policy(
            plant=plant, recipients=recipients, rotas={"weeks": rota},
            people=tuple(person(n) for n in ("ann", "ben", "cat", "chief")),
            link=lambda who, ids, at: (f"https://board.example/a/{who}:{'+'.join(ids)}",
                                       at + 24 * HOUR),
        )
        self.now, self.seq = now, 0
        self.state: Mapping[str, Any] = {}
        self.sent: list[tuple[int, NewDelivery]] = []
        self.facts: list[SystemEvent] = []

    def happens(self, *events: Event) -> None:
        numbered = []
        for event in events:
            self.seq += 1
            numbered.append(Numbered(seq=self.seq, event=event))
        made = decide(self.policy, self.state, numbered, self.now)
        # As the journal keeps it, and as a restarted process finds it.
        self.state = json.loads(json.dumps(made.state))
        self.sent += [(self.now, d) for d in made.deliveries]
        self.facts += made.facts

    def until(self, end: int) -> None:
        """Let time pass as the worker does: it wakes when something is due."""
        while (due := next_due(self.state)) is not None and due <= end:
            self.now = max(self.now, due)
            self.happens()
        self.now = end

    def passes(self, duration: int) -> None:
        self.until(self.now + duration)

    def raised(self, condition: str = "pressure-low", asset: str = "r1",
               **more: Any) -> AlarmTransition:
        event = alarm(condition, asset, time=self.now, **more)
        self.happens(event)
        return event

    def told(self) -> list[tuple[str, str, str]]:
        """Who was sent what, at which minute after the start (or second, below one)."""
        return [(f"{(at - NIGHT) // 1000 / 60:g}", d.recipient, d.subject.split(" – ")[0])
                for at, d in self.sent]


def on_call(**more: Any) -> Recipient:
    given: dict[str, Any] = {
        "id": "on-call", "rota": "weeks", "repeats": 2, "repeat": 30 * MIN,
        "escalate": (Step(after=15 * MIN, call="weeks", turn=2),
                     Step(after=15 * MIN, call="chief")),
    }
    return Recipient(**{**given, **more})


def after(event: AlarmTransition, transition: Transition, at: int, **more: Any) -> AlarmTransition:
    return replace(event, transition=transition, time=at, **more)


def test_the_person_on_the_rota_is_called(plant: Plant) -> None:
    story = Story(plant, on_call())
    story.raised()
    story.passes(MIN)
    assert story.told() == [("0.166667", "ben", "HIGH supervisory")]
    body = story.sent[0][1].body
    assert "no sign-in needed (works once, until Thursday 15 January 2026, 02:00:10 GMT):\n" \
        f"https://board.example/a/ben:pressure-low.r1.{NIGHT // 1000}" in body


def test_nobody_answers_and_it_climbs_repeats_and_stops(plant: Plant) -> None:
    story = Story(plant, on_call())
    story.raised()
    story.passes(24 * HOUR)
    waits = "0.166667"
    first = float(waits)
    assert [(round(float(m) - first, 3), who, head) for m, who, head in story.told()] == [
        (0, "ben", "HIGH supervisory"),
        (15, "cat", "Call 2, HIGH supervisory"), (30, "chief", "Call 3, HIGH supervisory"),
        (60, "ben", "Call 4, HIGH supervisory"), (60, "cat", "Call 4, HIGH supervisory"),
        (60, "chief", "Call 4, HIGH supervisory"),
        (90, "ben", "Call 5, HIGH supervisory"), (90, "cat", "Call 5, HIGH supervisory"),
        (90, "chief", "Call 5, HIGH supervisory"),
    ]
    assert "Not acknowledged for 30 min. Called so far: Ben Archer at 02:00, " \
        "Cat Archer at 02:15." in story.sent[2][1].body
    assert [f.fact for f in story.facts] == ["call-escalated"] * 4 + ["call-unanswered"]
    assert story.facts[0].values["recipients"] == "cat"
    assert story.facts[-1].text.endswith("not acknowledged for 2 h. No one else is called.")
    assert next_due(story.state) is None
    keys = [(d.recipient, d.event_seq, d.kind) for _, d in story.sent]
    assert len(set(keys)) == len(keys)


@pytest.mark.parametrize("answer", [
    Transition.ACKNOWLEDGED, Transition.SHELVED, Transition.OUT_OF_SERVICE, Transition.SUPPRESSED,
])
def test_any_answer_stops_it(plant: Plant, answer: Transition) -> None:
    story = Story(plant, on_call())
    event = story.raised()
    story.passes(20 * MIN)
    assert [who for _, who, _ in story.told()] == ["ben", "cat"]
    story.happens(after(event, answer, story.now, by="Cat Archer by link"))
    story.passes(24 * HOUR)
    # Ben is told that he may sleep on; Cat, who did it, is not.
    assert [who for _, who, _ in story.told()] == ["ben", "cat", "ben"]
    assert story.facts[-1].fact == "call-escalated"


def test_an_answer_before_the_message_left_wakes_nobody(plant: Plant) -> None:
    story = Story(plant, on_call())
    event = story.raised()
    story.passes(5_000)
    story.happens(after(event, Transition.ACKNOWLEDGED, story.now, by="guard"))
    story.passes(HOUR)
    story.happens(after(event, Transition.RETURNED, story.now))
    story.passes(HOUR)
    assert story.told() == []


def test_what_returned_calls_nobody_further_and_is_told_to_whoever_was_called(plant: Plant) -> None:
    story = Story(plant, on_call())
    event = story.raised()
    story.passes(20 * MIN)
    story.happens(after(event, Transition.RETURNED, story.now))
    story.passes(24 * HOUR)
    assert story.told()[2:] == [("21", "ben", "Back to normal"), ("21", "cat", "Back to normal")]
    assert story.state["calls"] == []


def test_the_hand_over_comes_between_two_calls(plant: Plant) -> None:
    """Raised at 07:50 on Monday in Ben's week; the second of 08:05 is the second of Cat's week."""
    start = parse_instant("2026-01-19T07:50:00Z")
    story = Story(plant, on_call(), now=start)
    story.raised()
    story.passes(20 * MIN)
    assert [who for _, who, _ in story.told()] == ["ben", "ann"]


def test_a_burst_is_one_message_and_the_first_never_waits_longer(plant: Plant) -> None:
    story = Story(plant, on_call(repeats=0, escalate=()))
    story.raised("air-fill-stuck", "gen1", signal=Signal.TROUBLE, priority=Priority.MEDIUM)
    story.passes(20_000)
    story.raised("pressure-low", "r1")
    story.passes(4_000)
    story.raised("pressure-low", "r2")
    story.passes(5 * MIN)
    assert len(story.sent) == 1
    at, message = story.sent[0]
    assert at == NIGHT + 30_000  # ten seconds after the first high one
    subject = "HIGH supervisory – Pressure low: Dock riser and 2 more · Fenmoor Cold Store"
    assert message.subject == subject
    body = message.body
    assert body.startswith("3 alarms in one message, the most urgent first.")
    heads = ["1. HIGH supervisory – Pressure low: Dock riser",
             "2. HIGH supervisory – Pressure low: Freezer riser",
             "3. MEDIUM trouble – Stuck in air-fill: Nitrogen generator"]
    assert [body.index(h) for h in heads] == sorted(body.index(h) for h in heads)
    assert body.count("https://board.example/a/ben:") == 1
    assert "acknowledge all 3" in body


def test_the_rest_of_a_burst_waits_a_minute_each_time(plant: Plant) -> None:
    story = Story(plant, on_call(repeats=0, escalate=()))
    for n in range(30):
        story.raised("pressure-low", f"riser-{n}")
        story.passes(10_000)
    story.passes(HOUR)
    assert [at - NIGHT for at, _ in story.sent] == [10_000, *(
        10_000 + 60_000 * n for n in range(1, len(story.sent)))]
    assert len(story.sent) <= 6


def test_service_is_held_until_the_quiet_hours_end_and_goes_as_one(plant: Plant) -> None:
    quiet = on_call(routes=(EVERYTHING,), quiet=(parse_hours("19:00-07:00"),))
    story = Story(plant, quiet)
    due = story.raised("service-due", "gen1", signal=Signal.SERVICE, priority=Priority.LOW)
    story.passes(HOUR)
    leak = story.raised("leak-high", "r1", signal=Signal.SERVICE, priority=Priority.MEDIUM)
    story.passes(HOUR)
    story.raised()  # what cannot wait does not
    story.passes(10 * MIN)
    assert [d.subject.split(" – ")[0] for _, d in story.sent] == ["HIGH supervisory"]
    story.happens(after(leak, Transition.RETURNED, story.now))
    story.until(parse_instant("2026-01-14T06:59:59Z"))
    sent = len(story.sent)
    story.until(parse_instant("2026-01-14T07:00:00Z"))
    (message,) = [d for _, d in story.sent[sent:]]
    assert "Held back by quiet hours since Wednesday 14 January 2026, 02:00:00 GMT" in message.body
    assert "Service due" in message.body
    assert "Back to normal – Leak rate high" in message.body
    assert due.id in message.body
    story.passes(24 * HOUR)
    assert not [f for f in story.facts if "Service" in f.text or "Leak" in f.text]


@pytest.mark.parametrize(("night", "ends"), [
    ("2026-03-28T22:00:00Z", "2026-03-29T06:00:00Z"),  # Europe/London: an hour short
    ("2026-10-24T22:00:00Z", "2026-10-25T07:00:00Z"),  # an hour long
])
def test_quiet_hours_end_by_the_wall_clock(plant: Plant, night: str, ends: str) -> None:
    quiet = on_call(routes=(EVERYTHING,), quiet=(parse_hours("19:00-07:00"),))
    story = Story(plant, quiet, now=parse_instant(night))
    story.raised("service-due", "gen1", signal=Signal.SERVICE, priority=Priority.LOW)
    due = next_due(story.state)
    assert due is not None
    assert format_instant(due) == ends


def test_two_ways_to_one_person_are_one_call(plant: Plant) -> None:
    story = Story(plant, on_call(escalate=(), repeats=0),
                  Recipient(id="duty", rota="weeks"), Recipient(id="desk", to=person("ben").to))
    story.raised()
    story.passes(5 * MIN)
    assert len(story.sent) == 1


def test_a_chief_with_an_address_may_repeat_to_itself(plant: Plant) -> None:
    story = Story(plant, Recipient(id="chief-desk", to="mailto://m.example/?to=c@example.org",
                                   repeat=10 * MIN, repeats=2))
    story.raised()
    story.passes(6 * HOUR)
    assert [(who, head) for _, who, head in story.told()] == [
        ("chief-desk", "HIGH supervisory"), ("chief-desk", "Call 2, HIGH supervisory"),
        ("chief-desk", "Call 3, HIGH supervisory")]


def test_after_a_night_without_power_it_climbs_on_one_step_at_a_time(plant: Plant) -> None:
    story = Story(plant, on_call())
    story.raised()
    story.passes(MIN)
    story.now += 8 * HOUR  # nobody was awake to call
    story.happens()
    story.passes(MIN)
    assert [who for _, who, _ in story.told()] == ["ben", "cat"]
    story.passes(15 * MIN)
    assert [who for _, who, _ in story.told()] == ["ben", "cat", "chief"]


def test_a_recipient_taken_out_of_the_site_file_calls_no_more(plant: Plant) -> None:
    story = Story(plant, on_call())
    event = story.raised()
    story.passes(MIN)
    story.policy = replace(story.policy, recipients=())
    story.passes(HOUR)
    story.happens(after(event, Transition.RETURNED, story.now))
    assert [who for _, who, _ in story.told()] == ["ben"]
    assert story.state["calls"] == []


def test_the_same_story_twice_is_the_same_to_the_byte(plant: Plant) -> None:
    def run() -> tuple[object, ...]:
        story = Story(plant, on_call(quiet=(parse_hours("19:00-07:00"),)))
        for n in range(5):
            story.raised(asset=f"r{n}")
            story.passes(7 * MIN)
        story.passes(3 * HOUR)
        return tuple(story.sent), tuple(story.facts), json.dumps(story.state)
    assert run() == run()
