"""Servers of messages that misbehave: no alarm is lost, and none is sent ten times."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from aiosmtpd.smtp import SMTP, Envelope, Session

from collector.clock import ManualClock
from collector.domain.errors import (
    DeliveryRefused,
    DeliveryUncertain,
    DeliveryUnreachable,
)
from collector.domain.events import SystemEvent
from collector.domain.messages import NewDelivery
from collector.domain.plant import Plant
from collector.journal import Journal
from collector.notify import Message
from collector.notify.channels import AppriseChannel, WebHookChannel, mail
from collector.notify.outbox import Outbox, OutboxSettings
from collector.notify.policy import Policy
from collector.notify.recipients import Recipient, Step
from tests.notify.conftest import AT_ONCE, T0, Hook, alarm, hook, plant
from tests.notify.mailserver import MailServer, hanging_server
from tests.notify.test_outbox import Rig, Wire

__all__ = ["hook", "plant"]

MINUTE = 60_000


class SilentAfterData(MailServer):
    """Takes the mail and does not answer."""

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        await super().handle_DATA(server, session, envelope)
        await asyncio.sleep(3)
        return "250 taken"


async def send(address: str, timeout: float = 0.4) -> None:
    await AppriseChannel(timeout=timeout).send(
        Recipient(id="a", to=address), Message(subject="Low", body="Low at r1."))


async def test_no_answer_after_the_text_is_uncertain() -> None:
    server = SilentAfterData()
    with server.serving():
        with pytest.raises(DeliveryUncertain, match="did not answer"):
            await send(server.address())
        assert len(server.mails) == 1


@pytest.mark.parametrize("greeting", [b"", b"220 here\r\n"])
async def test_no_answer_before_the_text_is_none(greeting: bytes) -> None:
    server = MailServer()
    with hanging_server(greeting) as server.port:
        with pytest.raises(DeliveryUnreachable) as caught:
            await send(server.address())
        assert not isinstance(caught.value, DeliveryUncertain)


@pytest.mark.parametrize("answer", ["451 later", "554 no"])
async def test_an_answer_that_is_no_is_not_uncertain(answer: str) -> None:
    server = MailServer()
    server.data = [answer]
    with server.serving():
        with pytest.raises((DeliveryUnreachable, DeliveryRefused)) as caught:
            await send(server.address())
        assert not isinstance(caught.value, DeliveryUncertain)
        await send(server.address())
    assert not mail.may_have_arrived()


async def test_a_mail_that_may_have_arrived_is_repeated_once_and_then_said(plant: Plant) -> None:
    bodies = []

    async def take(recipient: Recipient, message: Message) -> None:
        bodies.append(message.body)
        raise DeliveryUncertain("no answer")

    async with Rig(plant, "a", wire=Wire(take)) as rig:
        await rig.commit(alarm())
        await rig.pass_time(60 * MINUTE)
        assert len(bodies) == 2
        assert "You may have had this message already" in bodies[1]
        assert bodies[0] in bodies[1]
        assert [f.fact for f in rig.facts] == ["delivery-given-up"]
        assert "may have arrived" in rig.facts[0].text
        assert rig.outbox.statistics().uncertain == 1


async def test_a_mail_that_arrives_at_the_repeat_is_delivered(plant: Plant) -> None:
    outcomes = [DeliveryUncertain("no answer"), None]

    async def take(recipient: Recipient, message: Message) -> None:
        if (error := outcomes.pop(0)) is not None:
            raise error

    async with Rig(plant, "a", wire=Wire(take)) as rig:
        await rig.commit(alarm())
        await rig.pass_time(60 * MINUTE)
        assert outcomes == []
        assert rig.facts == []
        assert rig.outbox.statistics().delivered == 1


# -- refusals -------------------------------------------------------------------------------------

@pytest.mark.parametrize("status", [301, 302, 307, 400, 401, 404, 410, 500, 501, 505])
async def test_one_refusal_of_a_web_hook_loses_no_event(
    hook: Hook, plant: Plant, status: int,
) -> None:
    hook.answers = [status, 204]
    channel = WebHookChannel(timeout=2)

    async def post(recipient: Recipient, message: Message) -> None:
        await channel.send(Recipient(id="h", to=f"http://127.0.0.1:{hook.port}/x"), message)

    async with Rig(plant, "hook", wire=Wire(post)) as rig:
        await rig.commit(alarm())
        for _ in range(100):
            if rig.outbox.statistics().delivered:
                break
            await asyncio.sleep(0.02)
            await rig.pass_time(5_000)
        assert rig.outbox.statistics().delivered == 1
        assert rig.facts == []
    assert len(hook.got) == 2


async def test_a_refusal_that_lasts_calls_the_next_person_at_once(plant: Plant) -> None:
    async def refuse(recipient: Recipient, message: Message) -> None:
        if recipient.id == "ann":
            raise DeliveryRefused("550 no such user")

    def mailto(name: str) -> str:
        return f"mailto://mail.example/?to={name}@example.org"

    rig = Rig(plant, "x", wire=Wire(refuse))
    rig.outbox.use(Policy(
        plant=plant, together=AT_ONCE,
        people=(Recipient(id="bob", to=mailto("bob")),),
        recipients=(Recipient(id="ann", to=mailto("ann"),
                              escalate=(Step(after=120 * MINUTE, call="bob"),)),)))
    async with rig:
        await rig.commit(alarm())
        for _ in range(20 * 12):
            await rig.pass_time(5_000)
            given_up = [f for f in rig.facts if f.fact == "delivery-given-up"]
            if given_up:
                break
        passed = rig.clock.now() - T0
        assert 2 * MINUTE <= passed <= 10 * MINUTE
        assert [r for r, _ in rig.wire.took] == []
        await rig.commit(given_up[0])
        assert [r for r, _ in rig.wire.took] == ["bob"]


# -- a crowd of messages --------------------------------------------------------------------------

class Phone:
    """A channel that keeps what it is sent."""

    def __init__(self) -> None:
        self.messages: list[Message] = []

    async def send(self, recipient: Recipient, message: Message) -> None:
        self.messages.append(message)


async def drained(journal: Journal, plant: Plant, to: str = "mailto://x") -> list[Message]:
    phone, clock = Phone(), ManualClock(T0 + 1000)
    policy = Policy(recipients=(Recipient(id="on-call", to=to),), plant=plant)
    facts: list[SystemEvent] = []
    outbox = Outbox(store=journal, policy=policy, clock=clock, record_event=facts.append,
                    channel=lambda recipient: phone, rng=random.Random(1),
                    settings=OutboxSettings(grace=0.1))
    task = asyncio.create_task(outbox.run())
    for _ in range(400):
        await asyncio.sleep(0.02)
        clock.advance(100)
        if not journal.due_deliveries(clock.now(), 1) and not outbox._queues:
            break
    outbox.stop()
    await task
    assert facts == []
    return phone.messages


def queue(journal: Journal, count: int, kind: Callable[[int], str]) -> None:
    journal.settle("notify", 0, deliveries=[
        NewDelivery(recipient="on-call", subject=f"{kind(n)} {n}", body="…", event_seq=n + 1,
                    due=T0 + n % 7, kind=kind(n)) for n in range(count)])


@pytest.mark.parametrize("count", [51, 100_000])
async def test_of_too_many_messages_the_newest_alarms_come_first_and_one_for_the_rest(
    tmp_path: Path, plant: Plant, count: int,
) -> None:
    with closing(Journal.open(tmp_path / "journal.sqlite")) as journal:
        queue(journal, count, lambda n: "raised" if n % 5 == 0 else "returned")
        messages = await drained(journal, plant)
        assert len(messages) == 21
        newest = [f"raised {n}" for n in range(count - 1, -1, -1) if n % 5 == 0][:20]
        assert set(newest) <= {m.subject for m in messages}
        (folded,) = [m for m in messages if "older messages in one" in m.subject]
        assert messages[-1] is folded
        told = count - len(messages) + 1
        assert folded.subject.startswith(f"{told} older messages in one")
        assert f"and {told - 40} more" in folded.body or told <= 40
        assert journal.statistics().deliveries["folded"] == told


async def test_a_few_messages_and_a_programs_are_sent_in_their_order(
    tmp_path: Path, plant: Plant,
) -> None:
    for folder, count, to in (("a", 50, "mailto://x"), ("b", 200, "https://hook.example/x")):
        with closing(Journal.open(tmp_path / folder / "journal.sqlite")) as journal:
            journal.settle("notify", 0, deliveries=[
                NewDelivery(recipient="on-call", subject=f"{n}", body="…", event_seq=n + 1,
                            due=T0, kind="raised") for n in range(count)])
            messages = await drained(journal, plant, to)
            assert [m.subject for m in messages] == [f"{n}" for n in range(count)]


# -- links ----------------------------------------------------------------------------------------

async def test_the_link_of_a_person_who_was_removed_acknowledges_nothing(tmp_path: Path) -> None:
    from types import SimpleNamespace

    from collector.app.wiring import link_services
    from collector.domain.messages import Link, LinkFault, LinkRefused, LinkSigner

    signer = LinkSigner(b"k" * 32, "fenmoor")
    config = SimpleNamespace(people=(Recipient(id="ann", to="mailto://a"),), recipients=())
    links = link_services(lambda: config, lambda: signer, lambda: None)  # type: ignore[arg-type]
    token = signer.sign(Link(person="ann", occurrences=("x.r1.1",), expires=T0 + 1000))
    assert links.read(token, T0).person == "ann"
    config.people = ()
    with pytest.raises(LinkRefused) as refused:
        links.read(token, T0)
    assert refused.value.fault is LinkFault.PERSON_REMOVED


