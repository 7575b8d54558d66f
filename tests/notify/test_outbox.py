"""The worker: order, patience, one lane each, giving up aloud, stopping, and being killed."""

from __future__ import annotations

import asyncio
import random
import threading
from collections.abc import Awaitable, Callable
from dataclasses import replace

import pytest

from collector.clock import ManualClock
from collector.domain.errors import DeliveryRefused, DeliveryUnreachable, JournalError
from collector.domain.events import SystemEvent, Transition
from collector.domain.messages import DeliveryOutcome, DeliveryState
from collector.domain.plant import Plant
from collector.notify import Message
from collector.notify.outbox import Outbox, OutboxSettings
from collector.notify.policy import Policy
from collector.notify.recipients import Recipient, Route, Step
from tests.notify.conftest import AT_ONCE, T0, Commit, Lost, MemoryStore, alarm

Behaviour = Callable[[Recipient, Message], Awaitable[None]]


class Wire:
    """A channel that does as the test says and keeps what it took."""

    def __init__(self, behave: Behaviour | None = None) -> None:
        self.took: list[tuple[str, str]] = []
        self.tries: list[tuple[int, str]] = []
        self.behave = behave
        self.clock = ManualClock(T0)

    async def send(self, recipient: Recipient, message: Message) -> None:
        self.tries.append((self.clock.now(), recipient.id))
        if self.behave is not None:
            await self.behave(recipient, message)
        self.took.append((recipient.id, message.subject))


def policy_for(plant: Plant, *names: str) -> Policy:
    return Policy(plant=plant, together=AT_ONCE, recipients=tuple(
        Recipient(id=n, facts=n == "chief", to=f"https://hooks.example/{n}" if n == "hook"
                  else f"mailto://mail.example/?to={n}@example.org")
        for n in names
    ))


class Rig:
    """One outbox on a clock that the test turns."""

    def __init__(self, plant: Plant, *names: str, store: MemoryStore | None = None,
                 wire: Wire | None = None, **settings: float) -> None:
        self.store = store or MemoryStore()
        self.wire = wire or Wire()
        self.clock = self.wire.clock
        self.facts: list[SystemEvent] = []
        self.outbox = Outbox(
            store=self.store, policy=policy_for(plant, *names), clock=self.clock,
            record_event=self.facts.append, channel=lambda r: self.wire, rng=random.Random(7),
            settings=OutboxSettings(**{"grace": 0.1, **settings}),  # type: ignore[arg-type]
        )
        self.task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Rig:
        self.task = asyncio.create_task(self.outbox.run())
        await self.settle()
        return self

    async def __aexit__(self, *exc: object) -> None:
        self.outbox.stop()
        assert self.task is not None
        await asyncio.wait_for(self.task, 1)

    async def settle(self) -> None:
        """Let threads and tasks come to rest: the worker pauses, and what runs is on the wire."""
        quiet = 0
        for _ in range(300):
            await asyncio.sleep(0.001)
            pausing = any(not f.done() for _, f in self.clock._sleepers)
            lanes, wire = len(self.outbox._queues), self.outbox.statistics().on_the_wire
            idle = pausing and lanes == wire and not self.outbox._woken.is_set()
            quiet = quiet + 1 if idle else 0
            if quiet == 3:
                return

    async def commit(self, *events: object) -> None:
        self.store.commit(*events)  # type: ignore[arg-type]
        self.outbox.wake()
        await self.settle()

    async def pass_time(self, duration: int, step: int = 5_000) -> None:
        for _ in range(duration // step):
            self.clock.advance(step)
            await self.settle()


async def test_a_committed_alarm_reaches_everybody_once(plant: Plant) -> None:
    async with Rig(plant, "a", "b") as rig:
        await rig.commit(alarm())
        what = "HIGH supervisory – Pressure low: Dock riser · Fenmoor Cold Store"
        assert sorted(rig.wire.took) == [(who, what) for who in "ab"]
        await rig.pass_time(60_000)
        assert len(rig.wire.took) == 2
    done = rig.outbox.statistics()
    assert (done.delivered, done.decided, done.position, done.on_the_wire) == (2, 2, 1, 0)


async def test_messages_of_one_recipient_keep_their_order(plant: Plant) -> None:
    async with Rig(plant, "hook") as rig:
        await rig.commit(alarm(), alarm(time=T0, raised=T0, transition=Transition.RETURNED))
        assert [s.split(" – ")[0] for _, s in rig.wire.took] == ["HIGH supervisory",
                                                                "Back to normal"]


async def test_waits_grow_and_stay_within_their_bounds(plant: Plant) -> None:
    async def down(recipient: Recipient, message: Message) -> None:
        raise DeliveryUnreachable("no route to host")

    async with Rig(plant, "a", wire=Wire(down), first_retry=10_000, longest_retry=80_000,
                   attempts=6) as rig:
        await rig.commit(alarm())
        await rig.pass_time(400_000)
        times = [t for t, _ in rig.wire.tries]
        assert len(times) == 6
        for n, wait in enumerate(b - a for a, b in zip(times, times[1:], strict=False)):
            longest = min(10_000 * 2**n, 80_000)
            assert longest / 2 <= wait <= longest + 5_000  # the poll
        assert len({b - a for a, b in zip(times, times[1:], strict=False)}) > 2
    assert rig.store.deliveries[1].state is DeliveryState.GIVEN_UP
    assert [f.fact for f in rig.facts] == ["delivery-not-through", "delivery-given-up"]
    assert rig.facts[0].time == times[2]  # fewer are no news: mail servers greylist
    text = rig.facts[1].text
    assert "6 tries" in text
    assert "no route to host" in text
    assert "Dock riser" in text
    assert rig.facts[1].values == {"recipient": "a", "kind": "raised", "tries": 6}


async def test_being_out_of_reach_and_its_end_are_told_once(plant: Plant) -> None:
    down = [True]

    async def at_times(recipient: Recipient, message: Message) -> None:
        if down[0]:
            raise DeliveryUnreachable("no route to host")

    async with Rig(plant, "a", wire=Wire(at_times)) as rig:
        await rig.commit(alarm())
        await rig.pass_time(300_000)
        assert [f.fact for f in rig.facts] == ["delivery-not-through"]
        down[0] = False
        await rig.pass_time(900_000)
        await rig.commit(alarm("r2"))
    assert [f.fact for f in rig.facts] == ["delivery-not-through", "delivery-resumed"]
    assert {f.values["recipient"] for f in rig.facts} == {"a"}


async def test_an_old_message_is_given_up_however_few_its_tries(plant: Plant) -> None:
    async def down(recipient: Recipient, message: Message) -> None:
        raise DeliveryUnreachable("down")

    async with Rig(plant, "a", wire=Wire(down), give_up_after=60_000) as rig:
        await rig.commit(alarm())
        await rig.pass_time(90_000)
        tries = len(rig.wire.tries)
        assert 2 <= tries <= 5
        assert [f.fact for f in rig.facts].count("delivery-given-up") == 1
        await rig.pass_time(60_000)
        assert len(rig.wire.tries) == tries


async def test_a_refusal_is_tried_for_minutes_then_told(plant: Plant) -> None:
    async def refuse(recipient: Recipient, message: Message) -> None:
        if recipient.id == "a":
            raise DeliveryRefused("550 no such user")

    async with Rig(plant, "a", "chief", wire=Wire(refuse)) as rig:
        await rig.commit(alarm())
        await rig.pass_time(60_000)
        assert "delivery-given-up" not in [f.fact for f in rig.facts]
        await rig.pass_time(540_000)
        assert [f.fact for f in rig.facts] == ["delivery-not-through", "delivery-given-up"]
        assert [f.values["recipient"] for f in rig.facts] == ["a", "a"]
        await rig.commit(rig.facts[1])
        await rig.pass_time(60_000)
        assert [r for _, r in rig.wire.tries].count("a") == 5
        to_chief = [s for r, s in rig.wire.took if r == "chief"]
        assert to_chief[1].startswith("Notice – Delivery given up")
        assert len(rig.facts) == 2


async def test_a_hanging_recipient_delays_nobody_else(plant: Plant) -> None:
    async def hang(recipient: Recipient, message: Message) -> None:
        if recipient.id == "a":
            await asyncio.Event().wait()

    async with Rig(plant, "a", "b", wire=Wire(hang)) as rig:
        await rig.commit(alarm())
        await rig.commit(alarm(asset="r2"))
        assert [r for r, _ in rig.wire.took] == ["b", "b"]
        assert rig.outbox.statistics().on_the_wire == 1


async def test_a_long_queue_of_a_dead_recipient_hides_nothing(plant: Plant) -> None:
    async def down(recipient: Recipient, message: Message) -> None:
        if recipient.id == "a":
            raise DeliveryUnreachable("down")

    async with Rig(plant, "a", wire=Wire(down), batch=4) as rig:
        await rig.commit(*(alarm(asset="r1", time=T0 + n, raised=n * 1000) for n in range(30)))
        rig.outbox.use(policy_for(plant, "a", "b"))
        await rig.settle()
        await rig.commit(alarm(asset="r2"))
        assert [r for r, _ in rig.wire.took] == ["b"]
        assert "a" in rig.outbox.statistics().resting


async def test_one_bad_message_does_not_hold_up_those_behind_it(plant: Plant) -> None:
    async def one_is_bad(recipient: Recipient, message: Message) -> None:
        if "Dock" in message.subject:
            raise DeliveryUnreachable("451 not this one")

    async with Rig(plant, "hook", wire=Wire(one_is_bad)) as rig:
        await rig.commit(alarm(asset="r1"), alarm(asset="r2"))
        assert len(rig.wire.took) == 1


async def test_a_try_without_end_is_cut_off_and_tried_again(plant: Plant) -> None:
    calls = 0

    async def hang_once(recipient: Recipient, message: Message) -> None:
        nonlocal calls
        calls += 1
        if calls == 1:
            await asyncio.Event().wait()

    async with Rig(plant, "a", wire=Wire(hang_once), deadline=0.05) as rig:
        await rig.commit(alarm())
        await asyncio.sleep(0.08)
        await rig.pass_time(20_000)
        assert calls == 2
        assert len(rig.wire.took) == 1


async def test_a_fault_of_ours_in_a_channel_loses_no_message(plant: Plant) -> None:
    calls = 0

    async def broken(recipient: Recipient, message: Message) -> None:
        nonlocal calls
        calls += 1
        if calls == 1:
            raise KeyError("oops")

    async with Rig(plant, "a", wire=Wire(broken)) as rig:
        await rig.commit(alarm())
        await rig.pass_time(20_000)
        assert len(rig.wire.took) == 1


async def test_a_stop_waits_a_moment_and_leaves_the_rest_begun(plant: Plant) -> None:
    async def hang(recipient: Recipient, message: Message) -> None:
        await asyncio.Event().wait()

    loop = asyncio.get_running_loop()
    async with Rig(plant, "hook", wire=Wire(hang)) as rig:
        await rig.commit(alarm(), alarm(asset="r2"))
        begun = loop.time()
    assert loop.time() - begun < 0.5
    states = [d.state for d in rig.store.deliveries.values()]
    assert states == [DeliveryState.BEGUN, DeliveryState.WAITING]


async def test_a_stop_lets_a_short_send_finish(plant: Plant) -> None:
    async def slow(recipient: Recipient, message: Message) -> None:
        await asyncio.sleep(0.05)

    async with Rig(plant, "a", wire=Wire(slow)) as rig:
        rig.store.commit(alarm())
        rig.outbox.wake()
        await asyncio.sleep(0.03)
    assert rig.store.deliveries[1].state is DeliveryState.DELIVERED


async def test_killed_between_sending_and_writing_it_goes_out_twice_and_never_thrice(
    plant: Plant,
) -> None:
    """Each life ends right after the wire took the message, before that is written."""
    store = MemoryStore()
    store.commit(alarm())
    took: list[str] = []
    told: list[str] = []
    for _ in range(4):
        async def die(recipient: Recipient, message: Message) -> None:
            took.append(message.body)
            await asyncio.Event().wait()

        rig = Rig(plant, "a", store=store, wire=Wire(die))
        task = asyncio.create_task(rig.outbox.run())
        await rig.settle()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        await rig.settle()
        told += [f.text for f in rig.facts]
    assert len(took) == 2
    assert "already" not in took[0]
    assert "You may have had this message already" in took[1]
    assert len(told) == 1
    assert "may have arrived" in told[0]
    assert "2 tries" in told[0]


async def test_killed_before_sending_it_still_goes_out(plant: Plant) -> None:
    store = MemoryStore()
    store.commit(alarm())
    first = Rig(plant, "a", store=store)
    await first.outbox._route()
    store.begin(1, T0)
    async with Rig(plant, "a", store=store) as rig:
        assert len(rig.wire.took) == 1
    assert store.deliveries[1].state is DeliveryState.DELIVERED


async def test_trouble_with_the_journal_passes(
    plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = MemoryStore()
    fails = {"after": 2, "begin": 1, "finish": 2, "recover": 1}

    def failing(name: str) -> None:
        real = getattr(store, name)

        def call(*args: object, **more: object) -> object:
            if fails[name]:
                fails[name] -= 1
                raise JournalError(f"{name}: disk I/O error")
            return real(*args, **more)

        monkeypatch.setattr(store, name, call)

    for name in fails:
        failing(name)
    async with Rig(plant, "a", store=store) as rig:
        await rig.commit(alarm())
        await rig.pass_time(60_000)
        assert len(rig.wire.took) == 1
        assert rig.outbox.statistics().journal_errors == 6
    assert store.outcomes == [(1, DeliveryOutcome.DELIVERED)]


async def test_a_recipient_taken_out_of_the_site_file_is_given_up_aloud(plant: Plant) -> None:
    async def down(recipient: Recipient, message: Message) -> None:
        raise DeliveryUnreachable("down")

    async with Rig(plant, "a", wire=Wire(down)) as rig:
        await rig.commit(alarm())
        rig.outbox.use(policy_for(plant, "b"))
        await rig.pass_time(30_000)
        assert "no such recipient" in rig.facts[0].text


async def test_its_repr_says_how_it_fares(plant: Plant) -> None:
    async with Rig(plant, "a") as rig:
        await rig.commit(alarm())
        assert repr(rig.outbox) == (
            "Outbox(1 recipients, 0 on the wire, 1 delivered, 0 given up)"
        )


async def test_commits_without_events_hardly_write(plant: Plant) -> None:
    async with Rig(plant, "a") as rig:
        for _ in range(299):
            rig.store.commit()
        await rig.commit()
        assert rig.store.cursors == {"notify": 300}
        for _ in range(5):
            await rig.commit()
        assert rig.store.cursors == {"notify": 300}
        await rig.commit(alarm())
        assert rig.store.cursors == {"notify": 306}
        assert rig.outbox.statistics().position == 306


async def test_events_deleted_unread_are_told(plant: Plant) -> None:
    async with Rig(plant, "a") as rig:
        rig.store.commits.append(Commit(number=1, events=(), gap=Lost(events=3)))
        await rig.commit(alarm())
        assert [f.fact for f in rig.facts] == ["events-lost"]
        assert "3 events" in rig.facts[0].text
        assert len(rig.wire.took) == 1


async def test_facts_may_be_noted_by_a_coroutine(plant: Plant) -> None:
    noted: list[str] = []

    async def note(fact: SystemEvent) -> None:
        await asyncio.sleep(0)
        noted.append(fact.fact)

    async def refuse(recipient: Recipient, message: Message) -> None:
        raise DeliveryRefused("no")

    rig = Rig(plant, "a", wire=Wire(refuse))
    rig.outbox._sender._record_event = note
    async with rig:
        await rig.commit(alarm())
        await rig.pass_time(600_000)
    assert noted == ["delivery-not-through", "delivery-given-up"]


async def test_an_old_journal_calls_nobody_and_says_so(plant: Plant) -> None:
    store = MemoryStore()
    store.commit(*(alarm(time=T0 - 90_000_000 - n) for n in range(50)))
    async with Rig(plant, "a", store=store) as rig:
        assert rig.wire.took == []
        assert [f.fact for f in rig.facts] == ["events-not-told"]
        assert rig.facts[0].values == {"events": 50}
        await rig.commit(alarm())
        assert len(rig.wire.took) == 1
        assert len(rig.facts) == 1


async def test_a_lane_that_ends_while_the_journal_answers_sends_nothing_twice(
    plant: Plant, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The journal's answer shows message 2 as waiting; by the time it arrives, it is delivered."""
    store, release, answer = MemoryStore(), asyncio.Event(), threading.Event()
    real, asked = store.due_deliveries, 0

    def slow(now: int, limit: int) -> object:
        nonlocal asked
        asked += 1
        due = real(now, limit)
        if asked == 2:
            assert [d.id for d in due] == [2]
            answer.wait(5)
        return due

    async def hold(recipient: Recipient, message: Message) -> None:
        await release.wait()

    monkeypatch.setattr(store, "due_deliveries", slow)
    async with Rig(plant, "hook", store=store, wire=Wire(hold)) as rig:
        store.commit(alarm(), alarm(asset="r2"))
        asked = 0
        rig.outbox.wake()
        await rig.settle()
        assert rig.outbox.statistics().on_the_wire == 1
        rig.outbox.wake()
        await rig.settle()
        release.set()
        await rig.settle()
        assert len(rig.wire.took) == 2
        answer.set()
        await rig.settle()
        await rig.pass_time(30_000)
        assert len(rig.wire.took) == 2
        assert rig.outbox.statistics().journal_errors == 0
        assert [o for _, o in store.outcomes] == [DeliveryOutcome.DELIVERED] * 2


async def test_a_fault_of_ours_in_a_lane_is_logged_and_the_lane_opens_again(
    plant: Plant, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    store, real, calls = MemoryStore(), MemoryStore.begin, 0

    def begin(delivery_id: int, now: int) -> None:
        nonlocal calls
        calls += 1
        if calls == 1:
            raise ZeroDivisionError
        real(store, delivery_id, now)

    monkeypatch.setattr(store, "begin", begin)
    async with Rig(plant, "a", store=store) as rig:
        await rig.commit(alarm())
        assert "a delivery queue broke" in caplog.text
        await rig.pass_time(30_000)
        assert len(rig.wire.took) == 1


def climbing(plant: Plant) -> Policy:
    """A recipient that calls another after 15 min, and both again 15 min later."""
    first, second = (Recipient(id=n, to=f"mailto://mail.example/?to={n}@example.org",
                               routes=(Route(),) if n == "a" else ()) for n in "ab")
    first = replace(first, escalate=(Step(after=900_000, call="b"),), repeats=1)
    return Policy(plant=plant, together=AT_ONCE, recipients=(first,), people=(second,))


@pytest.mark.parametrize("killed_after", range(0, 3_600_000, 240_000))
async def test_killed_at_any_time_an_escalation_is_neither_forgotten_nor_repeated(
    plant: Plant, killed_after: int,
) -> None:
    store, wire = MemoryStore(), Wire()
    store.commit(alarm())
    for lasts in (killed_after, 5_400_000 - killed_after):
        rig = Rig(plant, "a", store=store, wire=wire)
        rig.outbox.use(climbing(plant))
        async with rig:
            await rig.pass_time(lasts, step=60_000)
    assert [(who, subject.split(" – ")[0]) for who, subject in wire.took] == [
        ("a", "HIGH supervisory"), ("b", "Call 2, HIGH supervisory"),
        ("a", "Call 3, HIGH supervisory"), ("b", "Call 3, HIGH supervisory"),
    ]
    kinds = [(d.recipient, d.kind) for d in store.deliveries.values()]
    assert kinds == [("a", "raised"), ("b", "escalated-1"), ("a", "repeated-1"),
                     ("b", "repeated-1")]


async def test_what_could_not_be_written_did_not_happen(
    plant: Plant, monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The journal refuses the very transaction of the escalation; it is tried again, and once."""
    store, wire = MemoryStore(), Wire()
    store.commit(alarm())
    rig = Rig(plant, "a", store=store, wire=wire)
    rig.outbox.use(climbing(plant))
    real, refusals = store.settle, 3

    def settle(*args: object, **more: object) -> None:
        nonlocal refusals
        if store.kept and refusals:
            refusals -= 1
            raise JournalError("database is locked")
        real(*args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(store, "settle", settle)
    async with rig:
        await rig.pass_time(1_200_000, step=60_000)
    assert [who for who, _ in wire.took] == ["a", "b"]
    assert [f.fact for f in rig.facts] == ["call-escalated"]
    assert rig.outbox.statistics().journal_errors == 3
