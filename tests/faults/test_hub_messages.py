"""No message of a broker stops the hub: each is applied or becomes a dead letter."""

from __future__ import annotations

import json
import random

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from collector.fleet import Group
from collector.fleet.hub_message_handler import Counts, MessageHandler
from collector.fleet.hub_store import Batch, GroupStore
from collector.forward.mqtt import Message
from tests.faults.messages import ALARM, ESTIMATE, EVENTS, FACT, MARK, MARKED, SITE, all_cases
from tests.fleet.support import NOW, FakeSite, received

CASES = all_cases()


def an_intake() -> MessageHandler:
    handler = MessageHandler(Group(id="north", events_prefix="quietpipe"), {}, Counts(), 45_000)
    handler.handle(received(*FakeSite(SITE).births(NOW)), NOW)
    return handler


def applied_or_set_aside(handler: MessageHandler, message: Message) -> bool:
    """Return whether a message was accepted; whatever it is, it is one of the two."""
    before = handler.states[SITE].heard
    taken = handler.handle(received(message), NOW + 1)
    assert len(taken.dead) + bool(taken.changed) == 1
    assert all(letter.reason for letter in taken.dead)
    assert before <= handler.states[SITE].heard
    json.dumps(handler.states[SITE].dump(), allow_nan=False).encode()
    return not taken.dead


@pytest.mark.parametrize("name", CASES)
def test_what_is_not_valid_is_a_dead_letter_with_its_reason(name: str) -> None:
    assert not applied_or_set_aside(an_intake(), CASES[name])


@pytest.mark.parametrize("good", [FACT, ALARM, ESTIMATE])
def test_what_is_valid_is_applied(good: dict[str, object]) -> None:
    for topic, said in ((EVENTS, good), (MARK, MARKED)):
        message = Message(topic=topic, payload=json.dumps(said).encode())
        assert applied_or_set_aside(an_intake(), message)


def test_a_fault_of_ours_is_a_dead_letter_too(monkeypatch: pytest.MonkeyPatch) -> None:
    handler = an_intake()
    monkeypatch.setattr(handler.states[SITE].__class__, "mark", lambda *_: 1 / 0)
    taken = handler.handle(received(Message(topic=MARK, payload=json.dumps(MARKED).encode())), NOW)
    assert [d.reason for d in taken.dead] == ["not applied: ZeroDivisionError: division by zero"]


def test_dead_letters_are_bounded_and_counted(tmp_path) -> None:
    store = GroupStore(tmp_path / "g.sqlite", "north")
    handler = an_intake()
    for n in range(1300):
        message = Message(topic=EVENTS, payload=b"{" + str(n).encode())
        store.keep(Batch(dead=handler.handle(received(message, message), NOW + n).dead), NOW + n)
    found = store._ask("SELECT count(*), min(count), max(length(body)) FROM dead_letters")
    assert found == [(1000, 2, 5)]
    assert handler._counts.dead_letters == 2600
    store.close()


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner,
                                                                max_size=4), max_leaves=12)


@st.composite
def some_message(draw: st.DrawFn) -> Message:
    """Draw a good message with one value replaced, bytes changed, or nothing but bytes."""
    good = draw(st.sampled_from([FACT, ALARM, ESTIMATE, MARKED]))
    topic = draw(st.sampled_from([EVENTS, MARK, f"spBv1.0/north/DDATA/{SITE}/gen1",
                                  f"spBv1.0/north/NBIRTH/{SITE}"]))
    kind = draw(st.integers(0, 2))
    if kind == 0:
        changed = {**good, draw(st.sampled_from([*good])): draw(_JSON)}
        return Message(topic=topic, payload=json.dumps(changed).encode())
    if kind == 1:
        return Message(topic=topic, payload=draw(st.binary(max_size=200)))
    payload = bytearray(json.dumps(good).encode() if topic in (EVENTS, MARK)
                        else FakeSite(SITE).births(NOW)[0].payload)
    for place in draw(st.lists(st.integers(0, len(payload) - 1), max_size=6)):
        payload[place] = draw(st.integers(0, 255))
    return Message(topic=topic, payload=bytes(payload))


@examples(max_examples=400, deadline=None)
@given(some_message())
def test_any_message_is_applied_or_a_dead_letter(message: Message) -> None:
    applied_or_set_aside(an_intake(), message)


@pytest.mark.long
@pytest.mark.timeout(900)
def test_a_quarter_of_a_million_messages() -> None:
    rng, handler, accepted = random.Random(1), an_intake(), 0
    seeds = [m for m in CASES.values() if len(m.payload) < 5000] + [
        Message(topic=EVENTS, payload=json.dumps(g).encode()) for g in (FACT, ALARM, ESTIMATE)]
    site = FakeSite(SITE)
    seeds += [*site.births(NOW), site.data(NOW, 1.0)]
    for _ in range(260_000):
        one = rng.choice(seeds)
        payload = bytearray(one.payload)
        for _ in range(rng.choice((0, 1, 1, 2, 8))):
            if payload:
                payload[rng.randrange(len(payload))] = rng.randrange(256)
        accepted += not handler.handle(
            received(Message(topic=one.topic, payload=bytes(payload))), NOW).dead
    assert 1000 < accepted < 200_000
