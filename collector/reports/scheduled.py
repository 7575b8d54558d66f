"""Makes reports on schedule in a process of their own, and queues them for sending once.

The progress of each report is kept in the journal, in the transaction that queues its messages:
after a crash before it the report is made again, after a crash behind it the queue is sent. The
other process has low priority, so that the monitor never waits for it.
"""

from __future__ import annotations

import asyncio
import logging
import sys
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol
from zoneinfo import ZoneInfo

from collector.clock import format_instant
from collector.config import SiteConfig
from collector.config.integrations import ReportSettings
from collector.domain.errors import QuietpipeError
from collector.domain.events import SystemEvent, event_to_json
from collector.domain.messages import REPORT, NewDelivery
from collector.domain.units import HOUR
from collector.reports.report_files import file_name
from collector.reports.times import Period, last_due, next_period, period_words

_log = logging.getLogger(__name__)

_RETRY = HOUR
"""ms after which a report that could not be made is tried again."""
_LONGEST = 600.0
"""Seconds of real time that the making may take."""


class ReportNotMade(QuietpipeError):
    """The process that makes a report ended without one."""


class Queue(Protocol):
    """The part of the journal that scheduling uses."""

    def meta(self, key: str) -> str | None:
        """Return the value stored under a key."""

    def settle(
        self, consumer: str, position: int, *, deliveries: Sequence[NewDelivery] = (),
        meta: Mapping[str, str] | None = None,
    ) -> None:
        """Queue deliveries and keep ``meta`` in one transaction."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportRequest:
    """One report to make."""

    site_file: Path
    folder: Path
    period: Period
    made: int
    allow_empty: bool = True
    """Whether it is also made of a period in which nothing was monitored."""


_YIELDING = """\
import contextlib, os, sys
with contextlib.suppress(OSError):
    os.nice(10)
from collector.cli import main
sys.exit(main(sys.argv[1:]))
"""
"""The command line at a lower priority than the monitor's, where the service manager allows it."""

Maker = Callable[[ReportRequest], Awaitable[None]]


async def made_in_process(request: ReportRequest) -> None:
    """Run the command ``report`` in a process of its own. Raises :class:`ReportNotMade`."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-c", _YIELDING, "report", str(request.site_file),
        "--from", format_instant(request.period.start), "--to", format_instant(request.period.end),
        "--as-of", format_instant(request.made), "--out", str(request.folder),
        "--format", "pdf,html,txt", *(("--allow-empty",) if request.allow_empty else ()),
        stdout=asyncio.subprocess.DEVNULL, stderr=asyncio.subprocess.PIPE,
    )
    try:
        async with asyncio.timeout(_LONGEST):
            _, errors = await process.communicate()
    except TimeoutError as exc:
        raise ReportNotMade(f"it took longer than {_LONGEST:g} s") from exc
    finally:
        if process.returncode is None:  # the monitor stops, or it took too long
            process.kill()
            await process.wait()
    if process.returncode:
        lines = errors.decode(errors="replace").strip().splitlines()
        raise ReportNotMade(lines[-1] if lines else f"exit status {process.returncode}")


class ReportScheduler:
    """Makes and sends the due reports of one site; ``turn`` is called once a minute."""

    def __init__(
        self, *, queue: Queue, consumer: str, record_event: Callable[[SystemEvent], object],
        maker: Maker = made_in_process,
    ) -> None:
        """Queue messages beside ``consumer``'s cursor; ``record_event`` journals them."""
        self._queue, self._consumer, self._maker = queue, consumer, maker
        self._record_event = record_event
        self._rest_until: dict[str, int] = {}

    def __repr__(self) -> str:
        return f"ReportScheduler(resting {sorted(self._rest_until)})"

    async def turn(self, config: SiteConfig, now: int) -> int:
        """Make and queue the reports due at ``now`` (ms); return their number."""
        done = 0
        for report in config.reports:
            period = await asyncio.to_thread(self._due_period, report, config, now)
            if period is not None and self._rest_until.get(report.id, now) <= now:
                done += await self._make(report, period, config, now)
        return done

    def _due_period(self, report: ReportSettings, config: SiteConfig, now: int) -> Period | None:
        zone = ZoneInfo(config.plant.site.timezone)
        newest = last_due(report.every, report.at, zone, now)
        key = _key(report)
        sent = self._queue.meta(key)
        if sent is None or not sent.isdecimal():
            # A report that was just asked for begins with the period under way, not the past.
            self._queue.settle(self._consumer, 0, meta={key: str(newest.end)})
            return None
        period = next_period(report.every, report.at, zone, int(sent))
        return period if period.due <= now else None

    async def _make(
        self, report: ReportSettings, period: Period, config: SiteConfig, now: int,
    ) -> int:
        folder = config.data / "reports"
        try:
            await self._maker(ReportRequest(
                site_file=config.path, folder=folder, period=period, made=now))
            name = file_name(config.plant.site.id, period.start, period.end,
                             ZoneInfo(config.plant.site.timezone))
            text = await asyncio.to_thread((folder / f"{name}.txt").read_text, encoding="utf-8")
        except (OSError, ReportNotMade) as error:
            self._rest_until[report.id] = now + _RETRY
            _log.error("a report could not be made", extra={"report": report.id,
                                                            "reason": str(error)})
            self._record_event(self._fact(config, report, now, fact="report-failed", text=(
                f"The report {report.id} could not be made: {error}. It is tried again in an "
                "hour.")))
            return 0
        self._rest_until.pop(report.id, None)
        made = self._fact(config, report, now, fact="report-made", text=(
            f"The report {report.id} of {_words(config, period)} was made for "
            f"{', '.join(report.to)}: {name}.pdf."))
        await asyncio.to_thread(
            self._queue.settle, self._consumer, 0, meta={_key(report): str(period.end)},
            deliveries=self._messages(config, report, period, name, text, made))
        self._record_event(made)
        return 1

    def _messages(
        self, config: SiteConfig, report: ReportSettings, period: Period, name: str, text: str,
        made: SystemEvent,
    ) -> list[NewDelivery]:
        programs = {r.id for r in (*config.recipients, *config.people) if r.wants_events}
        body = (f"{text}\nThe whole report is attached where this way out can carry a file. It "
                f"is beside the journal as reports/{name}.pdf and .html, and on the board "
                "under Reports.\n")
        return [NewDelivery(
            recipient=who, event_seq=0, due=made.time, kind=f"{REPORT}:{name}.pdf",
            subject=f"Review – {config.plant.site.name}: {_words(config, period)}",
            body=event_to_json(made) if who in programs else body,
        ) for who in dict.fromkeys(report.to)]

    @staticmethod
    def _fact(
        config: SiteConfig, report: ReportSettings, now: int, *, fact: str, text: str,
    ) -> SystemEvent:
        return SystemEvent(time=now, site=config.plant.site.id, fact=fact, text=text,
                         values={"report": report.id})


def _key(report: ReportSettings) -> str:
    return f"report.{report.id}"


def _words(config: SiteConfig, period: Period) -> str:
    return period_words(period.start, period.end, ZoneInfo(config.plant.site.timezone))
