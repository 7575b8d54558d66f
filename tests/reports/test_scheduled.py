"""Sent by the clock: once, not forgotten over a stop, and the watch does not wait."""

import asyncio
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.config import SiteConfig, load_site
from collector.domain.errors import SiteFileError
from collector.domain.events import SystemEvent
from collector.journal import Journal
from collector.notify.outbox import CONSUMER, Outbox
from collector.notify.policy import Policy
from collector.reports.report_files import file_name
from collector.reports.scheduled import (
    ReportNotMade,
    ReportRequest,
    ReportScheduler,
    made_in_process,
)
from tests.notify.mailserver import MailServer
from tests.reports.example import DAY, HOUR, LONDON, at, fill, site_file

MONDAY = at("2026-03-30T07:00")


def with_reports(folder: Path, to: str = "mailto://127.0.0.1", every: str = "week") -> SiteConfig:
    path = site_file(folder, 1)
    path.write_text(path.read_text() + f"""
[[recipients]]
id = "owner"
to = "{to}"

[[reports]]
id = "regular"
every = "{every}"
to = ["owner"]
""")
    return load_site(path)


class Bench:
    """A scheduler with a journal that survives it, and a maker that notes what it was asked."""

    def __init__(self, folder: Path) -> None:
        self.config = with_reports(folder)
        self.journal = Journal.open(folder / "var/journal.sqlite")
        self.journal.register(CONSUMER)
        self.asked: list[ReportRequest] = []
        self.notes: list[SystemEvent] = []
        self.broken = False

    async def maker(self, asked: ReportRequest) -> None:
        self.asked.append(asked)
        if self.broken:
            raise ReportNotMade("no room")
        asked.folder.mkdir(exist_ok=True)
        name = file_name("fenmoor", asked.period.start, asked.period.end, LONDON)
        (asked.folder / f"{name}.txt").write_text("Nothing to do.")

    def turn(self, now: int) -> int:
        """One turn of a scheduler that was just started."""
        scheduler = ReportScheduler(queue=self.journal, consumer=CONSUMER, maker=self.maker,
            record_event=self.notes.append)
        return asyncio.run(scheduler.turn(self.config, now))

    def queued(self) -> list[tuple[str, str]]:
        return [(d.recipient, d.kind) for d in self.journal.due_deliveries(MONDAY + 99 * DAY, 99)]


@pytest.fixture
def bench(tmp_path: Path):
    bench = Bench(tmp_path)
    yield bench
    bench.journal.close()


def test_a_new_report_begins_with_the_period_under_way(bench: Bench) -> None:
    assert bench.turn(MONDAY - 3 * DAY) == 0
    assert bench.turn(MONDAY - 1) == 0
    assert bench.asked == []
    assert bench.turn(MONDAY) == 1
    (asked,) = bench.asked
    assert (asked.period.start, asked.period.end) == (at("2026-03-23"), at("2026-03-30"))
    assert bench.queued() == [("owner", "report:fenmoor-2026-03-23-2026-03-29.pdf")]
    assert [n.fact for n in bench.notes] == ["report-made"]


def test_not_twice_however_often_it_is_started(bench: Bench) -> None:
    bench.turn(MONDAY - DAY)
    assert [bench.turn(MONDAY + n * HOUR) for n in range(4)] == [1, 0, 0, 0]
    assert len(bench.queued()) == 1


def test_what_fell_due_while_it_stood_still_is_made(bench: Bench) -> None:
    bench.turn(MONDAY - DAY)
    later = MONDAY + 9 * DAY
    assert [bench.turn(later), bench.turn(later), bench.turn(later)] == [1, 1, 0]
    assert [a.period.end for a in bench.asked] == [at("2026-03-30"), at("2026-04-06")]
    assert len(bench.queued()) == 2


def test_a_crash_before_it_was_queued_makes_it_again(bench: Bench) -> None:
    bench.turn(MONDAY - DAY)

    async def killed(asked: ReportRequest) -> None:
        raise asyncio.CancelledError

    scheduler = ReportScheduler(queue=bench.journal, consumer=CONSUMER, maker=killed,
            record_event=bench.notes.append)
    with pytest.raises(asyncio.CancelledError):
        asyncio.run(scheduler.turn(bench.config, MONDAY))
    assert bench.queued() == []
    assert bench.turn(MONDAY + 1) == 1


def test_one_that_cannot_be_made_is_told_and_tried_again_in_an_hour(bench: Bench) -> None:
    bench.turn(MONDAY - DAY)
    bench.broken = True
    scheduler = ReportScheduler(queue=bench.journal, consumer=CONSUMER, maker=bench.maker,
            record_event=bench.notes.append)

    async def turns() -> list[int]:
        found = [await scheduler.turn(bench.config, MONDAY + n * HOUR // 4) for n in range(4)]
        bench.broken = False
        return [*found, await scheduler.turn(bench.config, MONDAY + HOUR)]

    assert asyncio.run(turns()) == [0, 0, 0, 0, 1]
    assert len(bench.asked) == 2
    assert [n.fact for n in bench.notes] == ["report-failed", "report-made"]
    assert "no room" in bench.notes[0].text


def test_the_cursor_of_the_messages_does_not_move(bench: Bench) -> None:
    bench.journal.commit([], [SystemEvent(time=MONDAY, site="fenmoor", fact="x", text="t")])
    bench.journal.settle(CONSUMER, 1)
    bench.turn(MONDAY - DAY)
    bench.turn(MONDAY)
    assert bench.journal.position(CONSUMER) == 1


def test_who_is_nobody_is_a_mistake(tmp_path: Path) -> None:
    path = with_reports(tmp_path).path
    path.write_text(path.read_text().replace('to = ["owner"]', 'to = ["ownr"]'))
    with pytest.raises(SiteFileError) as caught:
        load_site(path)
    (mistake,) = caught.value.mistakes
    assert 'there is no recipient "ownr"' in str(mistake)
    assert "owner" in str(mistake)


async def test_the_process_says_why_it_failed(tmp_path: Path) -> None:
    from collector.reports.times import Period

    config = with_reports(tmp_path)
    asked = ReportRequest(site_file=config.path, folder=tmp_path, made=MONDAY,
                  period=Period(start=MONDAY - DAY, end=MONDAY, due=MONDAY))
    with pytest.raises(ReportNotMade, match="no journal yet"):
        await made_in_process(asked)


@pytest.mark.slow
async def test_made_in_a_process_and_mailed_with_the_paper_attached(tmp_path: Path) -> None:
    with MailServer().serving() as server:
        config = with_reports(tmp_path, server.address(to="owner@example.org"))
        with Journal.open(tmp_path / "var/journal.sqlite") as journal:
            journal.register(CONSUMER)
            fill(journal, at("2026-03-23"), 7, every=HOUR, risers=1)
            notes: list[SystemEvent] = []
            scheduler = ReportScheduler(queue=journal, consumer=CONSUMER, record_event=notes.append)
            await scheduler.turn(config, MONDAY - DAY)
            assert await scheduler.turn(config, MONDAY) == 1
            outbox = Outbox(
                store=journal, clock=SystemClock(), record_event=notes.append,
                policy=Policy(recipients=config.recipients, plant=config.plant),
                files=config.data / "reports")
            task = asyncio.create_task(outbox.run())
            async with asyncio.timeout(30):
                while outbox.statistics().delivered < 1:  # noqa: ASYNC110 - it has no event
                    await asyncio.sleep(0.05)
            outbox.stop()
            await task
    (mail,) = (m for m in server.mails if "Review" in m["subject"])
    assert "23 March 2026 to 29 March 2026" in mail["subject"]
    text = mail.get_body(("plain",)).get_content()
    assert "WHAT TO DO NEXT" in text
    assert "It is not a listed fire-alarm" in text
    (paper,) = mail.iter_attachments()
    assert paper.get_filename() == "fenmoor-2026-03-23-2026-03-29.pdf"
    assert paper.get_content().startswith(b"%PDF")
