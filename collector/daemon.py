"""The composition root: builds the parts from the site file, starts and stops them in order.

Start: journal, watch (restored), board, poller, deliveries, clockwork. Stop runs the other way: the
poller first, so that nothing new comes; then what is left is judged and committed; then the rest.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from collector import __version__
from collector.acceptance import Clerk
from collector.calling import beat_of, link_services, policy_of, signer_of
from collector.clock import Clock, SystemClock
from collector.config import SiteConfig, load_site
from collector.desks import acceptance_events, open_desk, record_store
from collector.domain.actions import Action, Deed
from collector.domain.errors import (
    ActionRefused,
    JournalCorrupt,
    JournalError,
    SiteFileError,
)
from collector.domain.events import AlarmMoved, EstimateMade, Event, FactNoted
from collector.domain.links import LinkSigner
from collector.domain.live import LiveAlarm, LivePicture
from collector.domain.readings import Reading
from collector.forward.influx import InfluxForwarder
from collector.forward.influx_aside import AsideFile
from collector.forward.sparkplug import Sparkplug
from collector.handbook import find_html
from collector.journal import Journal, JournalStatistics
from collector.logs import hide_secret
from collector.notify.heartbeat import Heartbeat
from collector.notify.outbox import CONSUMER, Outbox
from collector.notify.policy import Policy
from collector.past import past_services
from collector.people import PEOPLE, Accounts, Doorkeeper, PeopleError, Role
from collector.pipeline import Pipeline, restore
from collector.reports.sending import ReportClerk
from collector.schedule import Clockwork
from collector.service import ServiceManager
from collector.sources.poller import Poller
from collector.watch import Watch
from collector.web.app import create_app
from collector.web.door import LOCAL, Door
from collector.web.live import Live
from collector.web.services import (
    BoardServices,
    CollectorStatistics,
    DeviceStatistics,
    ForwardStatistics,
)
from collector.web.serving import serve

__all__ = ["Daemon"]

_log = logging.getLogger(__name__)

_NO_ADDRESS = frozenset({"127.0.0.1", "::1", "localhost", "0.0.0.0", "::"})
_MINUTE, _HOUR = 60_000, 3_600_000
_WATCH = "watch"
"""Consumer of the journal that keeps every commit since the saved state of the rules."""


class Daemon:
    """The watch over one site.

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
        self._hide_secrets()
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
        self._counted: JournalStatistics | None = None
        self._counted_at = -1000
        self._clockwork = Clockwork(clock)
        self._accounts: Accounts | None = None
        self._live = Live()
        self._journal: Journal
        self._clerk: Clerk
        self._pipeline: Pipeline
        self._poller: Poller
        self._outbox: Outbox
        self._signer: LinkSigner
        self._mqtt: Sparkplug
        self._influx: InfluxForwarder
        self._reports: ReportClerk

    def __repr__(self) -> str:
        return f"Daemon({self.site}, board {self.board_address or 'not up'})"

    @property
    def site(self) -> str:
        """The site's id."""
        return self._config.plant.site.id

    def stop(self) -> None:
        """Ask for an ordered stop."""
        self._stop_asked.set()

    def reload_soon(self) -> None:
        """Ask that the site file be read again."""
        self._reload_asked.set()

    def alarms(self) -> list[LiveAlarm]:
        """Return the alarms that are not plainly normal."""
        return self._pipeline.watch.alarms()

    async def act(self, action: Action) -> list[Event]:
        """Carry out a person's action; return its events once they are in the journal.

        Raises ``ActionRefused`` when the alarm's state does not allow it.
        """
        return await self._pipeline.act(action)

    async def run(self, on_ready: Callable[[], None] | None = None) -> None:
        """Watch until told to stop. Raises what the start of a part raises.

        A journal found damaged on the way is moved aside, and the watch begins anew with another.
        """
        while True:
            self._open_journal()
            try:
                await self._run_parts(on_ready)
            except JournalCorrupt as error:
                _log.error("the journal is damaged, a new one is begun: %s", error)
            else:
                return
            finally:
                self._journal.close()
                if self._accounts is not None:
                    self._accounts.close()

    def _hide_secrets(self) -> None:
        board, influx, mqtt = self._config.board, self._config.influx, self._config.mqtt
        for secret in (
            *(r.to for r in (*self._config.recipients, *self._config.people)),
            board.token, board.link_key,
            *((influx.token, influx.password) if influx is not None else ()),
            *((mqtt.password,) if mqtt is not None else ()),
            *((self._config.heartbeat.url,) if self._config.heartbeat is not None else ()),
        ):
            if secret:
                hide_secret(secret)

    # -- start -----------------------------------------------------------------------------------

    def _open_journal(self) -> None:
        folder = self._config.data
        folder.mkdir(parents=True, exist_ok=True)
        self._signer = signer_of(self._config)
        now = self.clock.now()
        self._journal, moved = Journal.open_or_replace(folder / "journal.sqlite", now)
        # Retention waits for consumers it knows; readings since the saved state of the rules must
        # outlive it too.
        for consumer in (_WATCH, CONSUMER):
            self._journal.register(consumer)
        self._clerk = Clerk(record_store(folder), acceptance_events(self._journal))
        watch = self._new_watch()
        number = self._restore(watch)
        self._pipeline = Pipeline(
            site=self.site, watch=watch, store=self._journal, picture=self.picture,
            clock=self.clock, committed=self._committed, step=self._config.step,
            last_number=number,
        )
        if moved is not None:
            self._note("journal-replaced", f"The journal was damaged. {moved}")
        self._note("collector-started", f"quietpipe {__version__} watches {self.site}.",
                   values={"version": __version__})

    def _new_watch(self) -> Watch:
        return Watch(plant=self._config.plant, settings=self._config.settings,
                     step=self._config.step)

    def _restore(self, watch: Watch) -> int:
        """Bring the watch to where the last process left it; return the last commit's number."""
        journal = self._journal
        self.picture.update(journal.last_readings())
        for stored in journal.events(kind="estimate"):
            if isinstance(stored.event, EstimateMade):
                self._estimates[stored.event.quantity, stored.event.asset] = stored.event
        saved, tick = journal.meta("watch"), journal.meta("tick")
        position = int(journal.meta("watch_commit") or 0)
        commits, last = self._commits_after(position)
        restore(
            watch, state=json.loads(saved) if saved else None, commits=commits,
            tick=int(tick) if tick else None,
            alarms=[s.event for s in journal.events(kind="alarm")
                    if isinstance(s.event, AlarmMoved)],
        )
        return last

    def _commits_after(
        self, position: int,
    ) -> tuple[list[tuple[Sequence[Reading], Sequence[FactNoted]]], int]:
        commits: list[tuple[Sequence[Reading], Sequence[FactNoted]]] = []
        while batch := self._journal.after(position, 1000):
            for one in batch:
                facts = [s.event for s in one.events if isinstance(s.event, FactNoted)]
                if one.readings or facts:
                    commits.append((one.readings, facts))
            position = batch[-1].number
        return commits, position

    def _new_outbox(self) -> Outbox:
        return Outbox(store=self._journal, policy=self._policy(), clock=self.clock,
                      note=self._pipeline.note, files=self._config.data / "reports")

    def _new_mqtt(self) -> Sparkplug:
        return Sparkplug(
            settings=self._config.mqtt, plant=self._config.plant, picture=self.picture,
            store=self._journal, clock=self.clock, note=self._pipeline.note, version=__version__,
        )

    def _new_influx(self) -> InfluxForwarder:
        return InfluxForwarder(
            settings=self._config.influx, plant=self._config.plant, store=self._journal,
            clock=self.clock, pace=self._real, note=self._pipeline.note,
            aside=AsideFile(self._config.data / "influx-set-aside.jsonl"),
        )

    def _policy(self) -> Policy:
        address = self._config.board.public_address or ""
        # Loopback, or "every address there is", would be useless on a phone.
        if not address and self._listen[0] not in _NO_ADDRESS:
            address = self.board_address
        return policy_of(self._config, self._signer, address)

    async def _run_parts(self, on_ready: Callable[[], None] | None) -> None:
        self._poller = Poller(self._config.devices, clock=self.clock, sink=self._pipeline.put,
                              rng=random.Random())
        self._outbox = self._new_outbox()
        self._mqtt, self._influx = self._new_mqtt(), self._new_influx()
        board = await self._start_board()
        pipeline = asyncio.create_task(self._pipeline.run(), name="pipeline")
        poller = asyncio.create_task(self._poller.run(), name="poller")
        outbox = asyncio.create_task(self._outbox.run(), name="outbox")
        mqtt = asyncio.create_task(self._mqtt.run(), name="mqtt")
        influx = asyncio.create_task(self._influx.run(), name="influx")
        helpers = [
            asyncio.create_task(self._reload_when_asked(), name="reload"),
            asyncio.create_task(self._service.keep_alive(self._real, self._healthy), name="alive"),
            asyncio.create_task(self._heartbeat().run(), name="heartbeat"),
        ]
        self._reports = ReportClerk(queue=self._journal, consumer=CONSUMER,
                                    note=self._pipeline.note)
        self._start_clockwork()
        self._service.ready(f"watching {len(self._config.devices)} devices")
        if on_ready is not None:
            on_ready()
        try:
            await self._until_stopped([board, pipeline, poller, outbox, mqtt, influx])
        finally:
            await self._end(board, pipeline, poller, outbox, (mqtt, influx), helpers)

    async def _start_board(self) -> asyncio.Task[None]:
        up = asyncio.Event()

        def ready(address: str) -> None:
            self.board_address = address
            up.set()

        board = asyncio.create_task(
            serve(create_app(self._services()), *self._listen, on_ready=ready,
                  on_end=self._live.close), name="board"
        )
        waiting = asyncio.create_task(_set(up), name="board up")
        await asyncio.wait({board, waiting}, return_when=asyncio.FIRST_COMPLETED)
        await _cancelled(waiting)
        if board.done():
            board.result()  # raises why it could not start
        _log.info("the board is at %s", self.board_address)
        self._outbox.use(self._policy())
        return board

    def _start_clockwork(self) -> None:
        every = self._clockwork.every
        every(_MINUTE, "save-rules", self._save_rules)
        every(_HOUR, "pack", self._pack)
        every(6 * _HOUR, "retain", self._retain)
        every(_MINUTE, "sign-of-life", self._sign_of_life)
        every(2000, "acceptance", self._note_acceptance)
        every(_MINUTE, "reports", self._send_reports)
        self._clockwork.start()

    # -- stop ------------------------------------------------------------------------------------

    async def _until_stopped(self, parts: Sequence[asyncio.Task[None]]) -> None:
        stop = asyncio.create_task(_set(self._stop_asked), name="stop")
        try:
            done, _ = await asyncio.wait({stop, *parts}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            stop.cancel()
        for part in done:
            if part is not stop:
                # No part ends by itself: one that did has failed, and the watch with it. The
                # service manager starts us again; going on half blind would be worse.
                _log.error("%s ended", part.get_name())
                part.result()

    async def _end(
        self, board: asyncio.Task[None], pipeline: asyncio.Task[None],
        poller: asyncio.Task[None], outbox: asyncio.Task[None],
        forwarders: Sequence[asyncio.Task[None]],
        helpers: Sequence[asyncio.Task[None]],
    ) -> None:
        self._service.stopping()
        self._clockwork.stop()
        await self._poller.stop()
        await _cancelled(poller, *helpers)
        await _cancelled(pipeline)
        # What the last deliveries note must still find the pipeline; what the last turn raises is
        # sent at the next start, from the journal.
        self._outbox.stop()
        await asyncio.wait({outbox}, timeout=1.5)
        self._note("collector-stopped", "The watch was stopped.")
        await self._pipeline.finish()
        self._mqtt.stop()  # after the last commit, which it still publishes
        self._influx.stop()
        await asyncio.wait(set(forwarders), timeout=1.5)
        await _cancelled(outbox, *forwarders, board)

    # -- while it runs ---------------------------------------------------------------------------

    def _committed(self, readings: Sequence[Reading], events: Sequence[Event]) -> None:
        for event in events:
            if isinstance(event, EstimateMade):
                self._estimates[event.quantity, event.asset] = event
            if self._on_event is not None:
                self._on_event(event)
        self._live.wake(events)
        if events:
            self._outbox.wake()
        self._mqtt.wake()

    def _note(self, fact: str, text: str, *, values: Mapping[str, Any] | None = None) -> None:
        _log.info("%s: %s", fact, text)
        self._pipeline.note(FactNoted(
            time=self.clock.now(), site=self.site, fact=fact, text=text, values=values or {},
        ))

    async def _reload_when_asked(self) -> None:
        while True:
            await self._reload_asked.wait()
            self._reload_asked.clear()
            self._service.reloading(self._real.monotonic())
            await self._reload()
            self._service.ready(f"watching {len(self._config.devices)} devices")

    async def _reload(self) -> None:
        try:
            config = await asyncio.to_thread(load_site, self._site_file)
        except SiteFileError as error:
            for mistake in error.mistakes:
                _log.error("site file: %s", mistake)
            self._note("site-file-refused",
                       f"The new site file has {len(error.mistakes)} mistake(s); "
                       f"the old one stays in force. First: {error.mistakes[0]}")
            return
        fixed = [name for name in ("data", "step") if getattr(config, name)
                 != getattr(self._config, name)]
        if config.plant.site.id != self.site or fixed:
            self._note("site-file-refused", "Another site id, data folder or evaluation step needs "
                       "a restart; the old site file stays in force.")
            return
        await self._take_over(config)

    async def _take_over(self, config: SiteConfig) -> None:
        old = self._pipeline.watch
        self._config = config
        self._hide_secrets()
        self._signer = signer_of(config)
        watch = self._new_watch()
        alarms = [s.event for s in self._journal.events(kind="alarm")
                  if isinstance(s.event, AlarmMoved)]
        watch.load(old.dump(), alarms)
        self._pipeline.replace_watch(watch)
        await self._poller.replace(config.devices)
        self._outbox.use(self._policy())
        self._mqtt.use(config.mqtt, config.plant)
        self._influx.use(config.influx, config.plant)
        self._note("site-file-read", "The site file was read again and is in force.")

    async def _save_rules(self) -> None:
        self._pipeline.snapshot_soon()
        position = int(self._journal.meta("watch_commit") or 0)
        if position:
            await asyncio.to_thread(self._journal.settle, _WATCH, position)

    async def _pack(self) -> None:
        before = self.clock.now() // _HOUR * _HOUR
        result = await asyncio.to_thread(self._journal.pack, before)
        _log.debug("packed: %s", result)

    async def _retain(self) -> None:
        keep = self._config.journal
        oldest = None if keep.keep is None else self.clock.now() - keep.keep
        result = await asyncio.to_thread(
            self._journal.retain, oldest=oldest, max_bytes=keep.max_bytes
        )
        _log.debug("retained: %s", result)

    async def _send_reports(self) -> None:
        if await self._reports.turn(self._config, self.clock.now()):
            self._outbox.wake()

    def _heartbeat(self) -> Heartbeat:
        return Heartbeat(
            beat=lambda: beat_of(self._config), clock=self._real, note=self._note,
            healthy=lambda: self._healthy() and not self._pipeline.statistics().trouble,
        )

    async def _sign_of_life(self) -> None:
        standing = sum(a.present for a in self.alarms())
        self._service.status(f"{len(self.picture)} points, {standing} conditions standing")

    async def _note_acceptance(self) -> None:
        """Journal what people did with an acceptance, be it here or on the command line."""
        for note in await asyncio.to_thread(self._clerk.news, self._config.plant):
            fact = replace(note.fact, time=self.clock.now())
            for deed, lasts in note.deeds.items():
                await self._declare(note.fact, deed, lasts)
            _log.info("%s: %s", fact.fact, fact.text)
            self._pipeline.note(fact)

    async def _declare(self, fact: FactNoted, deed: Deed, lasts: int | None) -> None:
        """Declare what a step of an acceptance is: a fill, an impairment; or end it."""
        now = self.clock.now()
        action = Action(
            deed=deed, alarm=fact.asset, time=now, by=str(fact.values["by"]), why="acceptance",
            until=now + lasts if lasts is not None else None)
        with contextlib.suppress(ActionRefused):  # over by itself already: nothing to end
            await self._pipeline.act(action)

    def _healthy(self) -> bool:
        last = self._pipeline.statistics().last_turn
        longest = 30_000 * getattr(self.clock, "speed", 1.0)
        return last is not None and self.clock.now() - last < longest

    # -- the board -------------------------------------------------------------------------------

    def _services(self) -> BoardServices:
        return BoardServices(
            plant=lambda: self._config.plant, clock=self.clock, picture=self.picture,
            alarms=self.alarms, not_watched=lambda: self._pipeline.watch.not_watched(),
            fills=lambda: self._pipeline.watch.fills(),
            baselines=lambda: self._pipeline.watch.baselines(),
            windows=lambda: self._pipeline.watch.windows(),
            act=self.act, trend=self._trend, events=self._events,
            estimates=lambda: list(self._estimates.values()), statistics=self.statistics,
            version=__version__,
            acceptance=open_desk(lambda: self._config.plant, self._config.data, self._journal),
            handbook=find_html, note=self._note_of_board,
            door=self._door(), live=self._live,
            past=past_services(lambda: self._journal, lambda: self._config.plant),
            reports=self._config.data / "reports",
            links=link_services(lambda: self._config, lambda: self._signer, lambda: self._journal),
        )

    def add_person(self, name: str, role: Role, password: str) -> None:
        """Make an account for this board; what the demo does, for the length of its life."""
        accounts = Accounts(self._config.data / PEOPLE)
        accounts.add(name, role, password, self._real.now())
        accounts.close()

    def _door(self) -> Door:
        board = self._config.board
        # The machine's own clock: neither people nor guessers run faster in a demo.
        return Door(
            keeper=Doorkeeper(self._open_accounts(), self._real), token=self.token,
            reading=board.reading, public_address=board.public_address,
            listens_locally=self._listen[0] in LOCAL,
        )

    def _open_accounts(self) -> Accounts | None:
        try:
            self._accounts = Accounts(self._config.data / PEOPLE)
        except PeopleError as error:
            # The watch must go on, and its pages with it; only nobody can sign in.
            _log.error("nobody can sign in: %s", error)
            self._accounts = None
        return self._accounts

    def _note_of_board(self, fact: str, text: str, values: Mapping[str, str]) -> None:
        self._note(fact, text, values=values)

    async def _trend(self, point: str, start: int, end: int, step: int) -> Sequence[Any]:
        return await asyncio.to_thread(self._journal.trend, point, start, end, step)

    async def _events(self, start: int, end: int) -> Sequence[Event]:
        def read() -> list[Event]:
            return [s.event for s in self._journal.events(start=start, end=end)]
        return await asyncio.to_thread(read)

    def statistics(self) -> CollectorStatistics:
        """Return how the parts are doing."""
        road = self._pipeline.statistics()
        sent = self._outbox.statistics()
        store = self._journal_statistics()
        waiting = store.deliveries if store is not None else {}
        return CollectorStatistics(
            started=self._started, last_turn=road.last_turn, last_commit=road.last_commit,
            journal_trouble=road.trouble, readings=road.readings, events=road.events,
            commits=road.commits, commit_failures=road.commit_failures, waiting=road.waiting,
            dropped=road.dropped, deliveries_given_up=sent.given_up,
            deliveries_waiting=sum(waiting.get(state, 0) for state in ("waiting", "begun")),
            devices=tuple(self._device_statistics()),
            forwards=tuple(self._forward_statistics()),
            numbers={**({"journal_bytes": store.bytes} if store is not None else {}),
                     **self._mqtt.statistics().numbers()},
        )

    def _forward_statistics(self) -> Iterator[ForwardStatistics]:
        one = self._influx.statistics()
        if one.on:
            yield ForwardStatistics(
                target=one.target, reachable=one.reachable, sent=one.sent, aside=one.aside,
                withheld=one.withheld, too_old=one.too_old, failed_tries=one.failed_tries,
                behind=one.behind, missing=one.missing, lost=one.lost, last_sent=one.last_sent,
                why=one.why,
            )

    def _journal_statistics(self) -> JournalStatistics | None:
        # Counting rows takes a moment, and every page and scrape asks: once a second is enough.
        now = self._real.monotonic()
        if now - self._counted_at >= 1000:
            self._counted_at = now
            try:
                self._counted = self._journal.statistics()
            except JournalError as error:
                _log.warning("the journal gives no statistics: %s", error)
                self._counted = None
        return self._counted

    def _device_statistics(self) -> Iterator[DeviceStatistics]:
        for one in self._poller.statistics():
            yield DeviceStatistics(
                device=one.device, answering=one.answering, last_answer=one.last_answer,
                polls=one.polls, failures=one.silent + one.link_down + one.refused + one.invalid,
                lateness=one.lateness_middle, why=one.why,
            )


async def _set(event: asyncio.Event) -> None:
    await event.wait()


async def _cancelled(*tasks: asyncio.Task[None]) -> None:
    for task in tasks:
        task.cancel()
    for task in tasks:
        with contextlib.suppress(asyncio.CancelledError):
            await task
