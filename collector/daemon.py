"""The composition root: builds the parts from the site file, starts and stops them in order.

Start: journal, monitor (restored), board, poller, deliveries, jobs. Stop runs the other way: the
poller first, so that no reading comes in; then what is queued is evaluated and committed; then the
rest.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from collector import __version__
from collector.acceptance import AcceptanceSync
from collector.app.board import (
    BoardParts,
    StatisticsReader,
    board_services,
    open_accounts,
    start_board,
)
from collector.app.jobs import (
    Connections,
    JobScheduler,
    JournalJobs,
    cancelled,
    first_ended,
    journal_acceptance,
    journal_commissioning,
)
from collector.app.monitor import SiteMonitor
from collector.app.pipeline import Pipeline, alarm_events, restore_from_journal
from collector.app.systemd import ServiceManager
from collector.app.wiring import (
    acceptance_events,
    beat_of,
    hide_secrets,
    policy_of,
    read_again,
    record_store,
    signer_of,
)
from collector.clock import Clock, SystemClock
from collector.commissioning.journal_sync import SIGNED, CommissioningSync, record_folder
from collector.config import SiteConfig, load_site
from collector.domain.actions import OperatorAction
from collector.domain.errors import JournalCorrupt, JournalReplaced
from collector.domain.events import EstimateMade, Event, SystemEvent
from collector.domain.live import LiveAlarm, LivePicture
from collector.domain.messages import LinkSigner
from collector.domain.readings import Reading
from collector.domain.units import HOUR, MINUTE
from collector.files import private_folder
from collector.journal import Journal
from collector.notify.channels import Heartbeat
from collector.notify.outbox import CONSUMER
from collector.notify.policy import Policy
from collector.people import PEOPLE, Accounts, Role
from collector.reports.scheduled import ReportScheduler
from collector.web.render import Live
from collector.web.services import CollectorStatistics

_log = logging.getLogger(__name__)

_MONITOR = "watch"
"""Consumer of the journal that keeps every commit since the saved state of the rules."""


class Daemon:
    """Monitors one site.

    ``listen`` and ``token`` stand in for the site file's own (the demo has neither);
    ``on_event`` is called with each event once it is committed. Raises ``SiteFileError`` at once
    when the site file is wrong.
    """

    def __init__(
        self, site_file: Path, *, clock: Clock, listen: tuple[str, int] | None = None,
        token: str | None = None, on_event: Callable[[Event], None] | None = None,
    ) -> None:
        self.clock = clock
        self._site_file = site_file
        self._config = load_site(site_file)
        hide_secrets(self._config)
        self._listen = listen or (self._config.board.host, self._config.board.port)
        self.token = token if token is not None else self._config.board.token
        self._on_event = on_event
        self._stop_asked = asyncio.Event()
        self._reload_asked = asyncio.Event()
        self._started = clock.now()
        self.board_address = ""
        self.picture = LivePicture()
        self._estimates: dict[tuple[str, str], EstimateMade] = {}
        self._service = ServiceManager.from_environment()
        self._real = SystemClock()
        self._jobs = JobScheduler(clock)
        self._accounts: Accounts | None = None
        self._live = Live()
        self._journal: Journal
        self._acceptance_sync: AcceptanceSync
        self._commissioning_sync: CommissioningSync
        self._pipeline: Pipeline
        self._connections: Connections
        self._signer: LinkSigner
        self._statistics: StatisticsReader
        self._reports: ReportScheduler

    def __repr__(self) -> str:
        return f"Daemon({self.site}, board {self.board_address or 'not up'})"

    @property
    def site(self) -> str:
        """The site's id."""
        return self._config.plant.site.id

    def stop(self) -> None:
        """Request an ordered stop."""
        self._stop_asked.set()

    def reload_soon(self) -> None:
        """Request that the site file be read again."""
        self._reload_asked.set()

    def alarms(self) -> list[LiveAlarm]:
        """Return the alarms that are not in the normal state."""
        return self._pipeline.monitor.alarms()

    def statistics(self) -> CollectorStatistics:
        """Return the counts of all parts."""
        return self._statistics.read()

    async def act(self, action: OperatorAction) -> list[Event]:
        """Carry out an action; return its journalled events, or raise ``ActionRefused``."""
        return await self._pipeline.act(action)

    def add_person(self, name: str, role: Role, password: str) -> None:
        """Add an account to this board. The demo does; its data folder ends with it."""
        accounts = Accounts(self._config.data / PEOPLE)
        accounts.add(name, role, password, self._real.now())
        accounts.close()

    async def run(self, on_ready: Callable[[], None] | None = None) -> None:
        """Monitor the site until :meth:`stop`. Raises what the start of a part raises.

        A journal that is found damaged is moved aside, and the daemon starts again with a new one.
        """
        said = ""
        while True:
            self._open_journal(said)
            try:
                await self._run_parts(on_ready)
            except JournalReplaced as error:
                # Where another daemon has begun, this ends: two must not write, or call people.
                said = f"{error}; {self._journal.rescue(self.clock.now())}."
                _log.error("the journal was replaced: %s", said)
            except JournalCorrupt as error:
                said = ""
                _log.error("the journal is damaged, a new one is begun: %s", error)
            else:
                return
            finally:
                self._journal.close()
                if self._accounts is not None:
                    self._accounts.close()

    def _open_journal(self, replaced: str) -> None:
        folder = self._config.data
        private_folder(folder)
        self._signer, damage = signer_of(self._config)
        self._journal, moved = Journal.open_or_replace(folder / "journal.sqlite", self.clock.now())
        # Retention waits for consumers it knows; readings since the saved state of the rules must
        # outlive it too.
        for consumer in (_MONITOR, CONSUMER):
            self._journal.register(consumer)
        self._acceptance_sync = AcceptanceSync(record_store(folder),
                                               acceptance_events(self._journal))
        self._commissioning_sync = CommissioningSync(
            record_folder(folder), (s.event for s in self._journal.events(kind=SIGNED)))
        self.picture.update(self._journal.last_readings())
        for stored in self._journal.events(kind="estimate"):
            if isinstance(stored.event, EstimateMade):
                self._estimates[stored.event.quantity, stored.event.asset] = stored.event
        restored = restore_from_journal(self._new_monitor, self._journal)
        self._pipeline = Pipeline(
            site=self.site, monitor=restored.monitor, store=self._journal, picture=self.picture,
            clock=self.clock, committed=self._committed, step=self._config.step,
            last_number=restored.last_commit,
        )
        if moved is not None:
            self._record_event("journal-replaced", f"The journal was damaged. {moved}")
        for text in filter(None, (replaced, self._journal.missing)):
            self._record_event("journal-replaced", text)
        for text in filter(None, (damage, *restored.damage, self._journal.damage())):
            self._record_event("damage-left-out", text)
        self._record_event("collector-started", f"quietpipe {__version__} monitors {self.site}.",
                   values={"version": __version__})

    def _new_monitor(self) -> SiteMonitor:
        return SiteMonitor(plant=self._config.plant, settings=self._config.settings,
                     step=self._config.step)

    def _policy(self) -> Policy:
        return policy_of(self._config, self._signer, listen=self._listen[0],
                         served=self.board_address)

    async def _run_parts(self, on_ready: Callable[[], None] | None) -> None:
        self._connections = Connections(
            self._config, policy=self._policy(), pipeline=self._pipeline, journal=self._journal,
            picture=self.picture, clock=self.clock, real=self._real)
        self._reports = ReportScheduler(queue=self._journal, consumer=CONSUMER,
                                    record_event=self._pipeline.record_event)
        board, self.board_address = await start_board(
            board_services(self._board_parts()), self._listen, self._live,
            self._config.board.proxies)
        self._connections.outbox.use(self._policy())
        parts = self._connections.start()
        helpers = [
            asyncio.create_task(self._reload_when_asked(), name="reload"),
            asyncio.create_task(self._service.keep_alive(self._real, self._healthy), name="alive"),
            asyncio.create_task(self._heartbeat().run(), name="heartbeat"),
        ]
        self._start_jobs()
        self._service.ready(f"watching {len(self._config.devices)} devices")
        if on_ready is not None:
            on_ready()
        try:
            await first_ended(self._stop_asked, [board, *parts])
        finally:
            self._service.stopping()
            self._jobs.stop()
            board.cancel()  # its requests have two seconds to end, while the rest does
            await self._connections.poller.stop()  # before anything else: no reading comes in
            await cancelled(*helpers)
            await self._connections.end(
                lambda: self._record_event("collector-stopped", "The collector was stopped."))
            await cancelled(board)

    def _start_jobs(self) -> None:
        every, journal = self._jobs.every, JournalJobs(
            pipeline=self._pipeline, journal=self._journal, clock=self.clock, consumer=_MONITOR,
            config=lambda: self._config)
        every(MINUTE, "save-rules", journal.save_rules)
        every(HOUR, "pack", journal.pack)
        every(6 * HOUR, "retain", journal.retain)
        every(MINUTE, "sign-of-life", self._sign_of_life)
        every(2000, "acceptance", self._journal_acceptance)
        every(5000, "commissioning", self._journal_commissioning)
        every(MINUTE, "reports", self._send_reports)
        self._jobs.start()

    def _committed(self, readings: Sequence[Reading], events: Sequence[Event]) -> None:
        for event in events:
            if isinstance(event, EstimateMade):
                self._estimates[event.quantity, event.asset] = event
            if self._on_event is not None:
                self._on_event(event)
        self._live.wake(events)
        if events:
            self._connections.outbox.wake()
        self._connections.mqtt.wake()

    def _record_event(self, fact: str, text: str, *,
                      values: Mapping[str, Any] | None = None) -> None:
        _log.info("%s: %s", fact, text)
        self._pipeline.record_event(SystemEvent(
            time=self.clock.now(), site=self.site, fact=fact, text=text, values=values or {},
        ))

    async def _reload_when_asked(self) -> None:
        while True:
            await self._reload_asked.wait()
            self._reload_asked.clear()
            self._service.reloading(self._real.monotonic())
            config = await asyncio.to_thread(read_again, self._site_file, self._config)
            if isinstance(config, str):
                self._record_event("site-file-refused", config)
            else:
                await self._take_over(config)
            self._service.ready(f"watching {len(self._config.devices)} devices")

    async def _take_over(self, config: SiteConfig) -> None:
        old = self._pipeline.monitor
        self._config = config
        hide_secrets(config)
        self._signer, _ = signer_of(config)
        monitor = self._new_monitor()
        monitor.load(old.dump(), alarm_events(self._journal))
        self._pipeline.replace_monitor(monitor)
        await self._connections.use(config, self._policy())
        self._record_event("site-file-read", "The site file was read again and is in force.")

    async def _send_reports(self) -> None:
        if await self._reports.turn(self._config, self.clock.now()):
            self._connections.outbox.wake()

    async def _journal_acceptance(self) -> None:
        await journal_acceptance(self._acceptance_sync, self._config.plant, self._pipeline,
                                 self.clock)

    async def _journal_commissioning(self) -> None:
        await journal_commissioning(self._commissioning_sync, self.site, self._pipeline, self.clock)

    def _heartbeat(self) -> Heartbeat:
        return Heartbeat(
            beat=lambda: beat_of(self._config), clock=self._real, record_event=self._record_event,
            healthy=lambda: self._healthy() and not self._pipeline.statistics().journal_trouble,
        )

    async def _sign_of_life(self) -> None:
        active = sum(a.present for a in self.alarms())
        self._service.status(f"{len(self.picture)} points, {active} alarms active")

    def _healthy(self) -> bool:
        last = self._pipeline.statistics().last_turn
        longest = 30_000 * getattr(self.clock, "speed", 1.0)
        return last is not None and self.clock.now() - last < longest

    def _board_parts(self) -> BoardParts:
        self._accounts = open_accounts(self._config.data)
        self._statistics = StatisticsReader(
            started=self._started, clock=self._real, pipeline=self._pipeline,
            journal=self._journal, connections=self._connections)
        return BoardParts(
            config=lambda: self._config, signer=lambda: self._signer, clock=self.clock,
            real=self._real, journal=self._journal, pipeline=self._pipeline, picture=self.picture,
            estimates=self._estimates.values, live=self._live, accounts=self._accounts,
            listen=self._listen, token=self.token,
            record_event=lambda fact, text, values: self._record_event(fact, text, values=values),
            statistics=self._statistics,
        )
