"""The pipeline from readings to the journal.

Readings, operator actions and the daemon's own events enter one queue in the order of their time
stamps. Each turn feeds them to the monitor, commits everything since the last commit together with
the events it caused in one transaction, and publishes only then. A crash therefore loses nothing
that was acknowledged, and nothing leaves the process that is not in the journal.
"""

from __future__ import annotations

import asyncio
import json
import logging
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from collector.app.monitor import SiteMonitor
from collector.clock import Clock
from collector.domain.actions import OperatorAction
from collector.domain.errors import ActionRefused, JournalCorrupt, JournalError
from collector.domain.events import AlarmTransition, Event, SystemEvent
from collector.domain.live import LivePicture, PipelineStatistics
from collector.domain.readings import Reading
from collector.journal import Journal

_log = logging.getLogger(__name__)

_REAL_PAUSE = 50
"""Shortest real time between turns, ms: a sped-up clock must not become a busy loop."""

_CLOCK_SET = 2000
"""ms by which wall and monotonic clock may drift apart before the wall clock counts as set."""

_KEPT_IN_MEMORY = 500_000
"""Most readings kept while the journal cannot write: days of one site, about 150 MB."""
_UNJOURNALLED_AFTER = 30_000
"""ms of a journal that cannot be written before its events are sent from memory (setting)."""


class Store(Protocol):
    """The journal as the pipeline uses it."""

    def commit(
        self, readings: Sequence[Reading], events: Sequence[Event], *,
        meta: Mapping[str, str] = ...,
    ) -> int:
        """Store readings and events in one transaction; return its number."""


@dataclass(slots=True)
class _Promise:
    future: asyncio.Future[list[Event]]
    events: list[Event] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Request:
    action: OperatorAction
    promise: _Promise


class Pipeline:
    """Takes readings and actions; calls ``committed`` with what each commit holds.

    While the journal cannot be written for long, ``unjournalled`` is called each turn with the
    events since its last call: an alarm must reach people also when the disk is full.
    """

    def __init__(
        self, *, site: str, monitor: SiteMonitor, store: Store, picture: LivePicture, clock: Clock,
        committed: Callable[[Sequence[Reading], Sequence[Event]], None],
        step: int = 1000, last_number: int = 0,
    ) -> None:
        self.monitor = monitor
        self._site = site
        self._store = store
        self._picture = picture
        self._clock = clock
        self._committed = committed
        self._step = step
        self._queue: deque[Sequence[Reading] | _Request | SystemEvent] = deque()
        self._uncommitted: tuple[list[Reading], list[Event]] = ([], [])
        self._unanswered: list[_Promise] = []
        self._snapshot_due = False
        self._closing = False
        self._number = last_number
        self._offset = clock.now() - clock.monotonic()
        self._counts = dict.fromkeys(("readings", "events", "commits", "failures", "dropped"), 0)
        self._last_turn: int | None = None
        self._last_commit: int | None = None
        self._trouble = ""
        self._trouble_since: int | None = None
        self._passed_on = 0
        """How many uncommitted events went to ``unjournalled``."""
        self.unjournalled: Callable[[Sequence[Event]], None] = lambda events: None

    def __repr__(self) -> str:
        return (f"Pipeline({self._site}, {len(self._queue)} queued, "
                f"{self._counts['commits']} commits)")

    def put(self, readings: Sequence[Reading]) -> None:
        """Queue readings that share a time, which is not before that of the last ones."""
        self._queue.append(readings)

    def record_event(self, fact: SystemEvent) -> None:
        """Queue an event of the daemon's own, to be journalled with the rest."""
        self._queue.append(fact)

    async def act(self, action: OperatorAction) -> list[Event]:
        """Carry out an operator action; return its events once they are committed.

        Raises ``ActionRefused`` when the alarm's state does not allow it.
        """
        promise = _Promise(asyncio.get_running_loop().create_future())
        self._queue.append(_Request(action, promise))
        return await promise.future

    def snapshot_soon(self) -> None:
        """Write the state of the rules with the next commit."""
        self._snapshot_due = True

    def replace_monitor(self, monitor: SiteMonitor) -> None:
        """Continue with another monitor (a site file read again); its state is saved next turn."""
        self.monitor = monitor
        self._snapshot_due = True

    def statistics(self) -> PipelineStatistics:
        """Return counts and the state of the last turn."""
        return PipelineStatistics(
            readings=self._counts["readings"], events=self._counts["events"],
            commits=self._counts["commits"], commit_failures=self._counts["failures"],
            dropped=self._counts["dropped"],
            waiting=len(self._uncommitted[0]) + sum(
                len(i) for i in self._queue if not isinstance(i, _Request | SystemEvent)
            ),
            last_turn=self._last_turn, last_commit=self._last_commit, journal_trouble=self._trouble,
        )

    async def run(self) -> None:
        """Take turns until cancelled; the caller then calls :meth:`finish`.

        A turn under way is ended first: its commit cannot be called back, and would be made again.
        """
        pause = max(self._step, round(_REAL_PAUSE * getattr(self._clock, "speed", 1.0)))
        while True:
            turn = asyncio.ensure_future(self.turn())
            try:
                await asyncio.shield(turn)
            except asyncio.CancelledError:
                await asyncio.gather(turn, return_exceptions=True)
                raise
            await self._clock.sleep(pause)

    async def finish(self) -> None:
        """Feed and commit what is queued, with the rules' state.

        The time since the last poll is not evaluated: no device was asked, so none is silent.
        """
        self._snapshot_due = True
        self._closing = True
        try:
            await self.turn()
        except JournalCorrupt as error:
            _log.error("what was left could not be kept: %s", error)

    async def turn(self) -> None:
        """Feed what is queued, evaluate, commit, then publish."""
        now = self._clock.now()
        self._check_clock(now)
        self._evaluate(now)
        readings, events = self._uncommitted
        self._last_turn = now
        if readings or events:
            if not await self._commit(readings, events, {"tick": str(now)}):
                self._pass_on(events, now)
                return
            self._uncommitted = ([], [])
            self._trouble_since, self._passed_on = None, 0
            self._picture.update(readings)
            self._committed(readings, events)
        for promise in self._unanswered:
            if not promise.future.done():
                promise.future.set_result(promise.events)
        self._unanswered.clear()
        if self._snapshot_due:
            await self._save_snapshot()

    def _pass_on(self, events: list[Event], now: int) -> None:
        """Pass on for sending the events that the journal could not store for a while."""
        if self._trouble_since is None:
            self._trouble_since = now
        if now - self._trouble_since >= _UNJOURNALLED_AFTER:
            fresh = events[self._passed_on:]
            self._passed_on = len(events)
            self.unjournalled(fresh)

    def _check_clock(self, now: int) -> None:
        offset = now - self._clock.monotonic()
        moved, self._offset = offset - self._offset, offset
        if abs(moved) > _CLOCK_SET:
            self.record_event(SystemEvent(
                time=now, site=self._site, fact="clock-set", values={"seconds": moved / 1000},
                text=f"The machine's clock was set {abs(moved) / 1000:.0f} s "
                     f"{'forward' if moved > 0 else 'back'}. Readings keep the time they had.",
            ))

    def _evaluate(self, now: int) -> None:
        """Feed everything queued to the monitor, into ``_uncommitted`` and ``_unanswered``."""
        readings, events = self._uncommitted
        while self._queue:
            item = self._queue.popleft()
            if isinstance(item, SystemEvent):
                # In the order of time: some conditions are evaluated from such events.
                events.extend(self.monitor.record_event(item))
                events.append(item)
            elif isinstance(item, _Request):
                self._act(item.action, item.promise, events)
            else:
                readings.extend(item)
                events.extend(self.monitor.feed(item))
                self._counts["readings"] += len(item)
        if not self._closing:
            events.extend(self.monitor.advance(now))

    def _act(self, action: OperatorAction, promise: _Promise, events: list[Event]) -> None:
        try:
            promise.events = list(self.monitor.act(action))
        except ActionRefused as refusal:
            if not promise.future.done():
                promise.future.set_exception(refusal)
            return
        events.extend(promise.events)
        self._unanswered.append(promise)
        # The readings do not hold an action: a restart could not repeat it, so the state it led to
        # is saved with it.
        self._snapshot_due = True

    async def _commit(
        self, readings: list[Reading], events: list[Event], meta: dict[str, str],
    ) -> bool:
        try:
            self._number = await asyncio.to_thread(
                self._store.commit, readings, events, meta=meta
            )
        except JournalCorrupt:
            raise  # trying again will not help; the daemon begins a new journal
        except JournalError as error:
            self._counts["failures"] += 1
            if str(error) != self._trouble:
                _log.error("the journal cannot write: %s", error)
            if not self._trouble:
                self._note_trouble("begun", f"The journal cannot be written: {error}")
            self._trouble = str(error)
            self._bound_memory()
            return False
        if self._trouble:
            _log.warning("the journal writes again")
            self._note_trouble("ended", "The journal can be written again.")
            self._trouble = ""
        self._counts["commits"] += 1
        self._counts["events"] += len(events)
        self._last_commit = self._last_turn
        return True

    def _note_trouble(self, what: str, text: str) -> None:
        # Queued like anything else: evaluated with the next turn, committed once that is possible.
        self.record_event(SystemEvent(
            time=self._clock.now(), site=self._site, fact=f"journal-trouble-{what}", text=text,
        ))

    def _bound_memory(self) -> None:
        readings = self._uncommitted[0]
        excess = len(readings) - _KEPT_IN_MEMORY
        if excess > 0:
            del readings[:excess]
            self._counts["dropped"] += excess
            _log.error("%d readings given up: the journal has not written for too long", excess)

    async def _save_snapshot(self) -> None:
        state = json.dumps(self.monitor.dump(), separators=(",", ":"))
        # The state is that after commit ``_number``: a restart feeds the readings of later ones.
        meta = {"watch": state, "watch_commit": str(self._number)}
        if await self._commit([], [], meta):
            self._snapshot_due = False


def restore(
    monitor: SiteMonitor, *, state: Mapping[str, Any] | None, alarms: Sequence[AlarmTransition],
    commits: Sequence[tuple[Sequence[Reading], Sequence[SystemEvent]]], tick: int | None,
) -> None:
    """Bring a new monitor to the state the last one had when its process ended.

    ``state`` is the last snapshot, ``alarms`` every alarm event journalled, ``commits`` the
    readings and facts of each commit since that snapshot, ``tick`` the instant up to which
    the last commit was evaluated. The events this causes were committed then, and are dropped.
    """
    monitor.load(state or {}, alarms)
    for readings, facts in commits:
        monitor.catch_up(readings, facts=facts)
    monitor.catch_up((), tick)


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """A monitor as the last process left it; ``damage`` says what could not be restored."""

    monitor: SiteMonitor
    last_commit: int
    damage: Sequence[str]


def restore_from_journal(new_monitor: Callable[[], SiteMonitor], journal: Journal) -> Restored:
    """Return a monitor brought to where the last process left it.

    A saved state that is damaged is left out: the rules begin with the readings after it.
    """
    saved, alarms, damage = journal.meta("watch"), alarm_events(journal), []
    position = kept_number(journal.meta("watch_commit"))
    if position is None:
        damage.append("The number of the rules' last commit is damaged: the readings since they "
                      "were saved are left out.")
        position = journal.last_commit
    commits, last = _commits_after(journal, position)
    tick = kept_number(journal.meta("tick")) or None
    try:
        state = json.loads(saved) if saved else {}
        monitor = new_monitor()
        restore(monitor, state=state, commits=commits, tick=tick, alarms=alarms)
    except (ValueError, TypeError, KeyError, IndexError, AttributeError) as error:
        _log.error("the rules' saved state is damaged: %r", error)
        damage.append("The rules' saved state is damaged and was left out: what they had learned "
                      "is learned again.")
        monitor = new_monitor()
        restore(monitor, state=None, commits=commits, tick=tick, alarms=alarms)
    return Restored(monitor=monitor, last_commit=last, damage=damage)


def kept_number(text: str | None) -> int | None:
    """Return a whole number kept in the journal, 0 where there is none, ``None`` if damaged."""
    if text is None or text.isdecimal():
        return int(text or 0)
    _log.error("a number kept in the journal is damaged: %.40r", text)
    return None


def alarm_events(journal: Journal) -> list[AlarmTransition]:
    return [s.event for s in journal.events(kind="alarm") if isinstance(s.event, AlarmTransition)]


def _commits_after(
    journal: Journal, position: int,
) -> tuple[list[tuple[Sequence[Reading], Sequence[SystemEvent]]], int]:
    commits: list[tuple[Sequence[Reading], Sequence[SystemEvent]]] = []
    while batch := journal.after(position, 1000):
        for one in batch:
            facts = [s.event for s in one.events if isinstance(s.event, SystemEvent)]
            if one.readings or facts:
                commits.append((one.readings, facts))
        position = batch[-1].number
    return commits, position
