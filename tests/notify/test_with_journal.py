"""The same promises kept by the real journal, and by a real process that is really killed."""

from __future__ import annotations

import asyncio
import signal
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from subprocess import PIPE, Popen

from collector.clock import SystemClock
from collector.domain.events import SystemEvent
from collector.domain.plant import Plant
from collector.journal import Journal
from collector.notify.delivery import DeliveryStore
from collector.notify.outbox import CONSUMER, Outbox, OutboxSettings
from collector.notify.policy import Policy
from collector.notify.recipients import Recipient
from tests.notify.conftest import Hook, alarm
from tests.servers import served

QUICK = OutboxSettings(first_retry=40, longest_retry=80, poll=20, timeout=2, grace=0.2)

LIFE = """
import asyncio, sys
from pathlib import Path
from collector.clock import SystemClock
from collector.domain.plant import Plant, Site
from collector.journal import Journal
from collector.notify.outbox import Outbox, OutboxSettings
from collector.notify.policy import Policy
from collector.notify.recipients import Recipient

async def main():
    site = Site(id="fenmoor", name="Fenmoor Cold Store", timezone="Europe/London")
    policy = Policy(recipients=(Recipient(id="hook", to=sys.argv[2]),), plant=Plant(site=site))
    journal = Journal.open(Path(sys.argv[1]))
    outbox = Outbox(
        store=journal, policy=policy, clock=SystemClock(),
        record_event=lambda fact: print(fact.fact, flush=True), settings=OutboxSettings(poll=20),
    )
    task = asyncio.create_task(outbox.run())
    for _ in range(1000):
        await asyncio.sleep(0.01)
        if journal.statistics().deliveries["uncertain"]:
            break
    await asyncio.sleep(0.2)
    outbox.stop()
    await task
    journal.close()

asyncio.run(main())
"""


def a_store(journal: Journal) -> DeliveryStore:
    """The journal is a store as far as the types can tell; mypy reads this line."""
    return journal


async def run_until(outbox: Outbox, journal: Journal, state: str, count: int) -> None:
    task = asyncio.create_task(outbox.run())
    for _ in range(500):
        if journal.statistics().deliveries.get(state) == count:
            break
        await asyncio.sleep(0.01)
    outbox.stop()
    await asyncio.wait_for(task, 2)
    assert journal.statistics().deliveries.get(state) == count


def outbox_on(journal: Journal, plant: Plant, to: str, facts: list[SystemEvent]) -> Outbox:
    policy = Policy(recipients=(Recipient(id="hook", to=to),), plant=plant)
    return Outbox(store=a_store(journal), policy=policy, clock=SystemClock(),
                  record_event=facts.append,
                  settings=QUICK)


async def test_from_commit_to_delivery(tmp_path: Path, plant: Plant, hook: Hook) -> None:
    hook.answers = [503, 200]
    facts: list[SystemEvent] = []
    now = SystemClock().now()
    with closing(Journal.open(tmp_path / "journal.sqlite")) as journal:
        journal.commit((), [alarm(time=now)])
        last = journal.commit((), [alarm(time=now, asset="r2")])
        await run_until(outbox_on(journal, plant, hook.address, facts), journal, "delivered", 2)
        assert len(hook.got) == 3
        assert journal.position(CONSUMER) == last
        assert journal.due_deliveries(now + 86_400_000, 10) == []
        again = outbox_on(journal, plant, hook.address, facts)
        await run_until(again, journal, "delivered", 2)
        assert len(hook.got) == 3
    assert facts == []


async def test_a_refusal_is_kept_with_its_reason(
    tmp_path: Path, plant: Plant, hook: Hook
) -> None:
    hook.answers = [410]
    facts: list[SystemEvent] = []
    with closing(Journal.open(tmp_path / "journal.sqlite")) as journal:
        journal.commit((), [alarm(time=SystemClock().now())])
        await run_until(outbox_on(journal, plant, hook.address, facts), journal, "given-up", 1)
    assert "410" in facts[0].text


@contextmanager
def killer() -> Iterator[tuple[list[bytes], list[Popen[str]], str]]:
    """Serve a web hook that kills its caller after the message came and before it is answered."""
    got: list[bytes] = []
    victims: list[Popen[str]] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(self.rfile.read(int(self.headers["Content-Length"])))
            victims[-1].send_signal(signal.SIGKILL)
            victims[-1].wait()
            self.close_connection = True

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    with served(server):
        yield got, victims, f"http://127.0.0.1:{server.server_port}/"


def test_killed_after_the_wire_and_before_the_journal(tmp_path: Path) -> None:
    """Four lives, each killed at the worst moment if it sends: two messages, never a third."""
    path = tmp_path / "journal.sqlite"
    with closing(Journal.open(path)) as journal:
        journal.commit((), [alarm(time=SystemClock().now())])
    said: list[str] = []
    ends: list[int] = []
    with killer() as (got, victims, address):
        for _ in range(4):
            life = Popen([sys.executable, "-c", LIFE, str(path), address], stdout=PIPE, text=True)
            victims.append(life)
            out, _ = life.communicate(timeout=30)
            said += out.split()
            ends.append(life.returncode)
    assert ends == [-signal.SIGKILL, -signal.SIGKILL, 0, 0]
    assert len(got) == 2
    assert got[0] == got[1]
    assert said == ["delivery-given-up"]
    with closing(Journal.open(path)) as journal:
        assert journal.statistics().deliveries["uncertain"] == 1
