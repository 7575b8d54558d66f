"""A hub process: serves its share of the groups, and the board. It may be killed at any time.

A group is served by the process that holds its lock, a file in the shared data folder. The
operating system releases the lock when its process ends, however it ends, so the groups of a killed
hub are free at once and the others take them over. The shares follow from the hubs that run.
"""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import logging
import os
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from urllib.parse import quote

from collector.clock import Clock
from collector.domain.errors import QuietpipeError
from collector.domain.units import DAY, HOUR
from collector.fleet import Group, HubSettings
from collector.fleet.hub_board import HubServices, create_hub
from collector.fleet.hub_group import GroupHub, GroupParts, HistoryWriter, history_of
from collector.fleet.hub_message_handler import HandledMessages
from collector.fleet.hub_reader import FleetReader
from collector.forward.influx.endpoints import DeadLetterFile, endpoint_of
from collector.people import PEOPLE, Accounts
from collector.people.sessions import SessionManager
from collector.web.access import LOOPBACK, AccessPolicy
from collector.web.app import serve

_log = logging.getLogger(__name__)

_CHECK_EVERY = 1.0
"""Seconds between two checks of the hubs that run: a killed hub's groups are taken over as soon."""
_RETAIN_EVERY = HOUR
_KEPT = 400 * DAY
"""ms that events and estimates are kept: a year, and a quarter to compare with."""


class Hub:
    """A hub process. ``me`` is its name among those that share the data folder."""

    def __init__(self, settings: HubSettings, *, me: str, clock: Clock,
                 listen: tuple[str, int] | None = None) -> None:
        self._settings, self._clock = settings, clock
        self._listen = listen or (settings.host, settings.port)
        self._locks = GroupLocks(settings.data, me)
        self._serving: dict[str, tuple[GroupHub, asyncio.Task[None]]] = {}
        self._reader = FleetReader(settings.data, [g.id for g in settings.groups])
        self._broken: dict[str, str] = {}
        """Groups whose service could not start here, with the reason."""
        self._stop_asked = asyncio.Event()
        self.address = ""

    def __repr__(self) -> str:
        return f"Hub({self._locks.me}, {', '.join(self._serving) or 'no group'})"

    def stop(self) -> None:
        """Request an ordered stop."""
        self._stop_asked.set()

    async def run(self, on_ready: Callable[[str], None] | None = None) -> None:
        """Serve until :meth:`stop`. Raises what the start of a part raises."""
        accounts = Accounts(self._settings.data / PEOPLE)
        board = asyncio.create_task(
            serve(create_hub(self._services(accounts)), *self._listen,
                  on_ready=lambda address: self._up(address, on_ready),
                  proxies=self._settings.proxies), name="board")
        work = asyncio.create_task(self._work(), name="groups")
        stop = asyncio.create_task(_set(self._stop_asked), name="stop")
        try:
            done, _ = await asyncio.wait({board, work, stop},
                                         return_when=asyncio.FIRST_COMPLETED)
            for part in done - {stop}:
                part.result()  # no part ends by itself: one that did has failed
        finally:
            for task in (stop, work):
                task.cancel()
            await asyncio.gather(stop, work, return_exceptions=True)
            await self._leave(list(self._serving))
            board.cancel()
            await asyncio.gather(board, return_exceptions=True)
            accounts.close()
            self._reader.close()
            self._locks.close()

    def _up(self, address: str, on_ready: Callable[[str], None] | None) -> None:
        self.address = address
        _log.info("the fleet's board is at %s", address)
        if on_ready is not None:
            on_ready(address)

    def _services(self, accounts: Accounts) -> HubServices:
        access = AccessPolicy(
            sessions=SessionManager(accounts, self._clock), reading="signed-in",
                    listens_locally=self._listen[0] in LOOPBACK,
                    public_address=self._settings.public_address)
        return HubServices(settings=self._settings, reader=self._reader, access=access,
                           clock=self._clock, figures=self.figures, healthy=self._trouble,
                           record_event=_log_event)

    # -- groups ----------------------------------------------------------------------------------

    async def _work(self) -> None:
        groups = {g.id: g for g in self._settings.groups}
        retained = self._clock.monotonic()
        while True:
            mine = self._locks.share(list(groups))
            await self._leave([g for g in self._serving if g not in mine
                               or self._serving[g][1].done()])
            for name in mine:
                if name not in self._serving and self._locks.acquire(name):
                    self._try_to_begin(groups[name])
            if self._clock.monotonic() - retained > _RETAIN_EVERY:
                retained = self._clock.monotonic()
                for hub, _ in self._serving.values():
                    await asyncio.to_thread(hub.store.retain, self._clock.now() - _KEPT)
            await asyncio.sleep(_CHECK_EVERY)

    def _try_to_begin(self, group: Group) -> None:
        try:
            self._begin(group)
        except Exception as exc:  # one group's damaged file must not stop the others
            if self._broken.get(group.id) != str(exc):
                _log.error("group %s cannot be served: %s", group.id, exc, exc_info=exc)
            self._broken[group.id] = str(exc)
            self._locks.release(group.id)
        else:
            self._broken.pop(group.id, None)

    def _begin(self, group: Group) -> None:
        _log.info("group %s is served here", group.id)
        hub = GroupHub(GroupParts(
            group=group, broker=self._settings.broker, host_id=self._settings.host_id,
            folder=self._settings.data, silent_after=self._settings.silent_after,
            clock=self._clock, lines=_no_lines if self._settings.influx is None else history_of,
        ))
        self._serving[group.id] = hub, asyncio.create_task(self._serve(hub),
                                                           name=f"group {group.id}")

    async def _serve(self, hub: GroupHub) -> None:
        influx = self._settings.influx
        if influx is None:
            await hub.run()
            return
        writer = HistoryWriter(
            hub.store, lambda: endpoint_of(influx),
            DeadLetterFile(self._settings.data / "influx-set-aside.jsonl"), self._clock)
        writing = asyncio.create_task(writer.run(), name="history")
        try:
            await hub.run()
        finally:
            writing.cancel()
            await asyncio.gather(writing, return_exceptions=True)

    async def _leave(self, groups: Sequence[str]) -> None:
        for name in groups:
            self._serving[name][0].stop()
        for name in groups:
            _, task = self._serving.pop(name)
            with contextlib.suppress(asyncio.CancelledError):
                await asyncio.wait({task}, timeout=3)
                task.cancel()
            if task.done() and not task.cancelled() and task.exception() is not None:
                _log.error("group %s broke", name, exc_info=task.exception())
            self._locks.release(name)

    # -- state -----------------------------------------------------------------------------------

    def figures(self) -> Mapping[str, float]:
        """Return the numbers of ``/metrics``."""
        hubs = [hub for hub, _ in self._serving.values()]
        names = ("messages", "values", "events", "repeated", "dead_letters",
                 "rebirths", "lost")
        return {
            "groups": len(hubs), "sites": sum(len(h.handler.states) for h in hubs),
            "connected": sum(h.connected for h in hubs),
            "silent": sum(s.silent is not None for h in hubs for s in h.handler.states.values()),
            **{n: sum(getattr(h.counts, n) for h in hubs) for n in names},
        }

    def _trouble(self) -> Sequence[str]:
        """Return the groups whose service has failed."""
        ended = {name for name, (hub, task) in self._serving.items() if hub.why or task.done()}
        return sorted(ended | self._broken.keys())


def _no_lines(taken: HandledMessages) -> bytes:
    return b""


def _log_event(fact: str, text: str, values: Mapping[str, str]) -> None:
    _log.info("%s: %s", fact, text, extra=dict(values))


async def _set(event: asyncio.Event) -> None:
    await event.wait()


class GroupLocks:
    """The group locks of the hub process ``me``.

    Raises ``QuietpipeError`` when one of that name runs already.
    """

    def __init__(self, folder: Path, me: str) -> None:
        self.me = me
        self._hubs, self._groups = folder / "hubs", folder / "groups"
        self._held: dict[str, int] = {}
        try:
            for one in (self._hubs, self._groups):
                one.mkdir(parents=True, exist_ok=True)
            mine = _lock_soon(self._hubs / me)
        except OSError as exc:
            raise QuietpipeError(f"the hub's data folder cannot be used: {exc}") from exc
        if mine is None:
            raise QuietpipeError(f'a hub called "{me}" runs already on this data folder; '
                                 "give this one another --id")
        self._mine = mine

    def __repr__(self) -> str:
        return f"GroupLocks({self.me}, {', '.join(self._held) or 'no group'})"

    def __enter__(self) -> GroupLocks:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def held(self) -> tuple[str, ...]:
        """The groups whose lock is held here."""
        return tuple(self._held)

    def alive(self) -> list[str]:
        """Return the names of the hubs that run, this one included."""
        found = []
        for path in sorted(self._hubs.iterdir()):
            if path.name == self.me:
                found.append(path.name)
                continue
            free = _lock(path)
            if free is None:
                found.append(path.name)
            else:
                os.close(free)
        return found

    def share(self, groups: Sequence[str]) -> list[str]:
        """Return the groups that this hub is to serve at present."""
        hubs = self.alive()
        mine = hubs.index(self.me)
        return [g for n, g in enumerate(sorted(groups)) if n % len(hubs) == mine]

    def acquire(self, group: str) -> bool:
        """Lock a group if no other hub has it; return whether it is locked here."""
        if group not in self._held:
            held = _lock(self._groups / quote(group, safe=""))
            if held is None:
                return False
            self._held[group] = held
        return True

    def release(self, group: str) -> None:
        held = self._held.pop(group, None)
        if held is not None:
            os.close(held)

    def close(self) -> None:
        """Release all locks."""
        for group in list(self._held):
            self.release(group)
        if self._mine >= 0:
            os.close(self._mine)
            self._mine = -1


def _lock_soon(path: Path) -> int | None:
    # Another hub that checks which hubs run holds the lock for a moment.
    for _ in range(20):
        held = _lock(path)
        if held is not None:
            return held
        time.sleep(0.02)
    return None


def _lock(path: Path) -> int | None:
    """Return the descriptor that holds the lock of ``path``, ``None`` when another holds it."""
    file = os.open(path, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(file)
        return None
    return file
