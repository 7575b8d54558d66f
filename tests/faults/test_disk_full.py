"""A disk without room: what the journal cannot keep reaches people from memory, marked."""

from __future__ import annotations

import asyncio
import random

import pytest

from collector.clock import ManualClock
from collector.domain.errors import DeliveryUnreachable
from collector.domain.events import AlarmTransition, Event
from collector.notify import Message
from collector.notify.outbox import Outbox
from collector.notify.policy import Policy
from collector.notify.recipients import Recipient
from tests.app.test_pipeline import Road, road
from tests.rules.support import MINUTE, SECOND, plant

__all__ = ["road"]


class Phone:
    """A channel that fails so many times, then keeps what it is sent."""

    def __init__(self, failures: int = 0) -> None:
        self.failures, self.messages = failures, list[Message]()

    async def send(self, recipient: Recipient, message: Message) -> None:
        if self.failures:
            self.failures -= 1
            raise DeliveryUnreachable("no line")
        self.messages.append(message)


def an_outbox(clock: ManualClock, phone: Phone) -> Outbox:
    policy = Policy(recipients=(Recipient(id="on-call", to="mailto://x"),), plant=plant())
    return Outbox(store=None, policy=policy, clock=clock, record_event=lambda fact: None,
                  channel=lambda recipient: phone, rng=random.Random(1))


async def settled() -> None:
    for _ in range(20):
        await asyncio.sleep(0)


@pytest.mark.parametrize("failures", [0, 2])
async def test_alarms_go_out_from_memory_once_and_marked(road: Road, failures: int) -> None:
    phone = Phone(failures)
    outbox = an_outbox(road.clock, phone)
    road.pipeline.unjournalled = outbox.send_unjournalled
    await road.pass_time(MINUTE)
    road.shelf.full = True
    for _ in range(10 * 60):
        await road.pass_time(SECOND)
        await settled()
    (message,) = phone.messages
    assert message.subject.startswith("Not journalled: ")
    assert "no room on the disk" in message.body
    assert "sent from memory" in message.body
    assert road.told == [], "the journal has none of it"
    road.shelf.full = False
    await road.pass_time(2 * MINUTE)
    assert "raised" in [e.transition.value for e in road.told if isinstance(e, AlarmTransition)]


async def test_a_short_trouble_sends_nothing_from_memory(road: Road) -> None:
    sent: list[Event] = []
    road.pipeline.unjournalled = sent.extend
    await road.pass_time(MINUTE)
    for _ in range(4):
        road.shelf.full = True
        await road.pass_time(20 * SECOND)
        road.shelf.full = False
        await road.pass_time(20 * SECOND)
    assert sent == []
