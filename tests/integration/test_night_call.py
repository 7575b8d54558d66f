"""0200, tank in air-fill: the person on the rota is called, and answers; or nobody does.

The daemon itself on a Modbus peer written by hand, a real SMTP server, and a Chromium as wide as a
phone. Only the clock is ours: it runs fast through the waits.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest

from collector.clock import parse_instant
from collector.daemon import Daemon
from collector.domain.events import AlarmTransition, Event, SystemEvent, Transition
from collector.journal import Journal
from tests.integration.story_clock import StoryClock
from tests.integration.support import beside
from tests.notify.mailserver import MailServer, free_port
from tests.sources.peer import Peer
from tests.wire import tcp_tap

CHROMIUM = Path("/usr/bin/chromium")
INSTALLED = CHROMIUM.exists()
PHONE = {"width": 390, "height": 844}
HOUR = 3_600_000

PROFILE = """
[profile]
name = "Tank and mode"
word_order = "high-first"
byte_order = "high-first"

[[points]]
quantity = "tank_pressure"
table = "input-registers"
address = 0
type = "int16"
scale = 0.1
unit = "psi"

[[points]]
quantity = "mode"
table = "holding-registers"
address = 10
type = "uint16"
values = { 0 = "off", 1 = "nitrogen", 2 = "air-fill" }
"""
NITROGEN, AIR_FILL = 1, 2

SITE = """
[site]
id = "fenmoor"
name = "Fenmoor Cold Store"
timezone = "Europe/London"
data = "data"
evaluate_every = "10 s"

[board]
listen = "127.0.0.1:{board}"
public_address = "http://127.0.0.1:{board}"

[[generators]]
id = "gen1"
name = "Dock generator"
air_fill_below = "55 psi"

[[devices]]
id = "controller"
address = "tcp://127.0.0.1:{modbus}"
unit = 1
profile = "generator.toml"
every = "30 s"
timeout = "5 s"
watches = "gen1"

[[people]]
id = "ann"
name = "Ann Archer"
to = "{ann}"

[[people]]
id = "ben"
name = "Ben Baker"
to = "{ben}"

[[people]]
id = "manager"
name = "Cora Clay"
to = "{manager}"

[[rotas]]
id = "weeks"
people = ["ann", "ben"]
begins = 2026-01-05

[[recipients]]
id = "on-call"
rota = "weeks"
conditions = ["air-fill-stuck"]
escalate = [
  {{ after = "15 min", call = "weeks", turn = 2 }},
  {{ after = "15 min", call = "manager" }},
]
repeat = "30 min"
repeats = 2
"""


@dataclass
class Night:
    """The site that night, and what has come of it."""

    clock: StoryClock
    peer: Peer
    mail: MailServer
    daemon: Daemon
    events: list[Event] = field(default_factory=list)

    def mode(self, code: int) -> None:
        self.peer.units[1].holding[10] = code

    async def until(self, what: str, done: Any, *, within: float = 60) -> None:
        loop = asyncio.get_running_loop()
        end = loop.time() + within
        while not done():
            assert loop.time() < end, f"not within {within:g} s: {what}; {self.subjects()}"
            await asyncio.sleep(0.02)

    async def passes(self, duration: int) -> None:
        end = self.clock.now() + duration
        await self.until("time passes", lambda: self.clock.now() >= end)

    def subjects(self) -> list[tuple[str, str]]:
        return [(str(m["to"]), str(m["subject"])) for m in self.mail.mails]

    def alarms(self) -> list[AlarmTransition]:
        return [e for e in self.events if isinstance(e, AlarmTransition)
                and e.condition == "air-fill-stuck"]

    def facts(self, name: str) -> list[SystemEvent]:
        return [e for e in self.events if isinstance(e, SystemEvent) and e.fact == name]


@contextlib.asynccontextmanager
async def night(folder: Path) -> AsyncIterator[Night]:
    """Run the site from 01:29 on a Wednesday in Ben's week, in nitrogen mode."""
    clock = StoryClock(parse_instant("2026-01-14T01:29:00Z"), 1)
    peer = Peer()
    peer.units[1].registers[0], peer.units[1].holding[10] = 700, NITROGEN

    async def breathe() -> None:
        while True:
            base = 700 if peer.units[1].holding[10] == NITROGEN else 520
            peer.units[1].registers[0] = base + clock.now() // 60_000 % 7
            await asyncio.sleep(0.05)

    with MailServer().serving() as mail:
        async with beside(breathe), peer.tcp() as port, tcp_tap("127.0.0.1", port) as tapped:
            (folder / "generator.toml").write_text(PROFILE)
            site = folder / "site.toml"
            site.write_text(SITE.format(
                board=free_port(), modbus=tapped, ann=mail.address(to="ann@example.org"),
                ben=mail.address(to="ben@example.org"), manager=mail.address(to="cora@example.org"),
            ))
            events: list[Event] = []
            daemon = Daemon(site, clock=clock, on_event=events.append)
            ready = asyncio.Event()
            running = asyncio.create_task(daemon.run(ready.set))
            await asyncio.wait_for(ready.wait(), 60)
            yield Night(clock, peer, mail, daemon, events)
            daemon.stop()
            await asyncio.wait_for(running, 20)


def body_of(mail: EmailMessage) -> str:
    part = mail.get_body(("plain",))
    assert part is not None
    return str(part.get_content()).replace("\r\n", "\n")


async def _raised_at_two(story: Night) -> AlarmTransition:
    """Bring the tank into air-fill at half past one; return the alarm of two o'clock."""
    story.clock.run(20)
    await story.until("half past one", lambda: story.clock.now() >= parse_instant(
        "2026-01-14T01:29:45Z"))
    story.mode(AIR_FILL)
    story.clock.run(100)
    await story.until("the alarm", story.alarms)
    (raised,) = story.alarms()
    assert raised.transition is Transition.RAISED
    late = raised.time - parse_instant("2026-01-14T02:00:00Z")
    assert 0 <= late < 10 * 60_000, late  # 02:00, or a little later on a busy machine
    return raised


@pytest.mark.browser
@pytest.mark.slow
async def test_0200_tank_in_air_fill_and_ben_answers(tmp_path: Path) -> None:
    if not INSTALLED:
        pytest.skip(f"no Chromium at {CHROMIUM}")
    playwright = pytest.importorskip("playwright.async_api")
    async with playwright.async_playwright() as driver, night(tmp_path) as story:
        phone = await driver.chromium.launch(
            executable_path=str(CHROMIUM),
            args=["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking"])
        raised = await _raised_at_two(story)
        story.clock.run(20)  # 15 minutes are 45 s now: a person has time
        await story.until("the mail", lambda: story.mail.mails)
        assert story.subjects() == [
            ("ben@example.org", "HIGH trouble – Stuck in air-fill: Dock generator · "
                                "Fenmoor Cold Store")]
        body = body_of(story.mail.mails[0])
        (link,) = re.findall(r"^http://127\.0\.0\.1:\d+/a/\S+$", body, re.MULTILINE)
        assert "Check in this order:\n  1. " in body

        page = await (await phone.new_context(viewport=PHONE)).new_page()
        await page.goto(link)
        assert await page.get_by_role("heading", name="Not acknowledged").is_visible()
        assert await page.get_by_role("heading", name="Stuck in air-fill").is_visible()
        assert await page.evaluate("document.documentElement.scrollWidth") == PHONE["width"]
        button = page.get_by_role("button", name="Acknowledge", exact=True)
        box = await button.bounding_box()
        assert box is not None
        assert box["height"] >= 44
        assert box["y"] + box["height"] <= PHONE["height"]  # within the thumb, without scrolling
        await page.reload()
        assert [a.transition for a in story.alarms()] == [Transition.RAISED]  # looking is no answer
        await button.click()
        await page.get_by_role("heading", name="Acknowledged", exact=True).wait_for()
        answered = story.alarms()[-1]
        assert (answered.transition, answered.by) == (Transition.ACKNOWLEDGED, "Ben Baker by link")
        assert answered.id == raised.id

        story.clock.run(400)
        await story.passes(3 * HOUR)
        assert len(story.mail.mails) == 1
        assert story.facts("call-escalated") == []
        story.mode(NITROGEN)
        await story.until("the return", lambda: len(story.mail.mails) == 2)
        assert story.subjects()[1] == (
            "ben@example.org",
            "Back to normal – Stuck in air-fill: Dock generator · Fenmoor Cold Store")
        await page.reload()
        assert await page.get_by_text("Returned to normal at").is_visible()
        await phone.close()
    log = (tmp_path / "data" / "links.key")
    assert log.stat().st_mode & 0o777 == 0o600


@pytest.mark.slow
async def test_0200_tank_in_air_fill_and_nobody_answers(tmp_path: Path) -> None:
    async with night(tmp_path) as story:
        raised = await _raised_at_two(story)
        story.clock.run(300)
        await story.until("the end of it", lambda: story.facts("call-unanswered"))
        story.clock.run(600)
        await story.passes(3 * HOUR)
        calls = [re.sub(r"@.*", "", to) for to, _ in story.subjects()]
        assert calls[:3] == ["ben", "ann", "cora"]
        assert sorted(calls[3:6]) == sorted(calls[6:]) == ["ann", "ben", "cora"]
        heads = [subject.split(",")[0] for _, subject in story.subjects()]
        assert heads == ["HIGH trouble – Stuck in air-fill: Dock generator · Fenmoor Cold Store",
                         "Call 2", "Call 3", *["Call 4"] * 3, *["Call 5"] * 3]
        second = body_of(story.mail.mails[1])
        assert re.match(r"Not acknowledged for 1[5-9] min( \d+ s)?\. "
                        r"Called so far: Ben Baker at 02:0\d\.", second)
        steps = [f.time - raised.time for f in story.facts("call-escalated")]
        for n, (step, minutes) in enumerate(zip(steps, (15, 30, 60, 90), strict=True), 1):
            # Each counts from the one before; a busy machine loses minutes of such a fast clock.
            assert minutes * 60_000 <= step <= (minutes + 5 * n) * 60_000, steps
        (last,) = story.facts("call-unanswered")
        assert last.text.startswith("Stuck in air-fill: Dock generator: not acknowledged for 2 h")
        assert [a.transition for a in story.alarms()] == [Transition.RAISED]
    with Journal.open(tmp_path / "data" / "journal.sqlite") as journal:
        assert journal.statistics().deliveries["delivered"] == 9
