"""The one road from readings to the journal.

Readings, people's actions and the daemon's own facts enter one queue in the order of their time
stamps. Each turn hands them to the watch, commits everything since the last commit together with
the events it caused in one transaction, and only then tells anyone. A crash therefore loses nothing
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

from collector.app.monitor import Watch
from collector.clock import Clock
from collector.domain.actions import OperatorAction
from collector.domain.errors import ActionRefused, JournalCorrupt, JournalError
from collector.domain.events import AlarmMoved, Event, FactNoted
from collector.domain.live import LivePicture
from collector.domain.readings import Reading
from collector.journal import Journal

__all__ = ["Pipeline", "PipelineStatistics", "Store", "restore", "restore_from_journal"]

_log = logging.getLogger(__name__)

_REAL_PAUSE = 50
"""ms of real time between turns at least: a sped-up clock must not turn into a busy loop."""

_CLOCK_SET = 2000
"""ms by which wall and monotonic clock may drift apart before the wall clock counts as set."""

_KEPT_IN_MEMORY = 500_000
"""Readings kept while the journal cannot write: days for one site, about 150 MB at the worst."""


class Store(Protocol):
    """What the pipeline asks of the journal."""

    def commit(
        self, readings: Sequence[Reading], events: Sequence[Event], *,
        meta: Mapping[str, str] = ...,
    ) -> int:
        """Keep readings and events together; return the commit's number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PipelineStatistics:
    """How the road is doing. Instants and durations in ms of the daemon's clock."""

    readings: int
    events: int
    commits: int
    commit_failures: int
    waiting: int
    """Readings in memory that no commit has taken yet."""
    dropped: int
    """Readings given up because the journal could not write for too long."""
    last_turn: int | None
    last_commit: int | None
    trouble: str
    """Why the journal cannot write; empty when it can."""


@dataclass(slots=True)
class _Promise:
    future: asyncio.Future[list[Event]]
    events: list[Event] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Request:
    action: OperatorAction
    promise: _Promise


class Pipeline:
    """Takes readings and actions; gives committed readings and events to ``committed``."""

    def __init__(
        self, *, site: str, watch: Watch, store: Store, picture: LivePicture, clock: Clock,
        committed: Callable[[Sequence[Reading], Sequence[Event]], None],
        step: int = 1000, last_number: int = 0,
    ) -> None:
        self.watch = watch
        self._site = site
        self._store = store
        self._picture = picture
        self._clock = clock
        self._committed = committed
        self._step = step
        self._queue: deque[Sequence[Reading] | _Request | FactNoted] = deque()
        self._unkept: tuple[list[Reading], list[Event]] = ([], [])
        self._unanswered: list[_Promise] = []
        self._snapshot_due = False
        self._closing = False
        self._number = last_number
        self._offset = clock.now() - clock.monotonic()
        self._counts = dict.fromkeys(("readings", "events", "commits", "failures", "dropped"), 0)
        self._last_turn: int | None = None
        self._last_commit: int | None = None
        self._trouble = ""

    def __repr__(self) -> str:
        return (f"Pipeline({self._site}, {len(self._queue)} queued, "
                f"{self._counts['commits']} commits)")

    def put(self, readings: Sequence[Reading]) -> None:
        """Take readings that share a time not before those already taken."""
        self._queue.append(readings)

    def note(self, fact: FactNoted) -> None:
        """Take a fact of the daemon's own, to be journalled with the rest."""
        self._queue.append(fact)

    async def act(self, action: OperatorAction) -> list[Event]:
        """Carry out a person's action; return its events once they are committed.

        Raises ``ActionRefused`` when the alarm's state does not allow it.
        """
        promise = _Promise(asyncio.get_running_loop().create_future())
        self._queue.append(_Request(action, promise))
        return await promise.future

    def snapshot_soon(self) -> None:
        """Write the state of the rules with the next commit."""
        self._snapshot_due = True

    def replace_watch(self, watch: Watch) -> None:
        """Go on with another watch (a re-read site file), its state saved at the next turn."""
        self.watch = watch
        self._snapshot_due = True

    def statistics(self) -> PipelineStatistics:
        """Return counts and the state of the last turn."""
        return PipelineStatistics(
            readings=self._counts["readings"], events=self._counts["events"],
            commits=self._counts["commits"], commit_failures=self._counts["failures"],
            dropped=self._counts["dropped"],
            waiting=len(self._unkept[0]) + sum(
                len(i) for i in self._queue if not isinstance(i, _Request | FactNoted)
            ),
            last_turn=self._last_turn, last_commit=self._last_commit, trouble=self._trouble,
        )

    async def run(self) -> None:
        """Take turns until cancelled; the caller then calls :meth:`finish`."""
        pause = max(self._step, round(_REAL_PAUSE * getattr(self._clock, "speed", 1.0)))
        while True:
            await self.turn()
            await self._clock.sleep(pause)

    async def finish(self) -> None:
        """Take what is left in, save the rules' state, and commit it all.

        Time that passed since the last poll is not judged: nobody was asked, so nobody is silent.
        """
        self._snapshot_due = True
        self._closing = True
        try:
            await self.turn()
        except JournalCorrupt as error:
            _log.error("what was left could not be kept: %s", error)

    async def turn(self) -> None:
        """Feed what came, judge, commit, then tell."""
        now = self._clock.now()
        self._look_at_clock(now)
        self._judge(now)
        readings, events = self._unkept
        self._last_turn = now
        if readings or events:
            if not await self._commit(readings, events, {"tick": str(now)}):
                return
            self._unkept = ([], [])
            self._picture.update(readings)
            self._committed(readings, events)
        for promise in self._unanswered:
            if not promise.future.done():
                promise.future.set_result(promise.events)
        self._unanswered.clear()
        if self._snapshot_due:
            await self._save_snapshot()

    def _look_at_clock(self, now: int) -> None:
        offset = now - self._clock.monotonic()
        moved, self._offset = offset - self._offset, offset
        if abs(moved) > _CLOCK_SET:
            self.note(FactNoted(
                time=now, site=self._site, fact="clock-set", values={"seconds": moved / 1000},
                text=f"The machine's clock was set {abs(moved) / 1000:.0f} s "
                     f"{'forward' if moved > 0 else 'back'}. Readings keep the time they had.",
            ))

    def _judge(self, now: int) -> None:
        """Give everything queued to the watch, into ``_unkept`` and ``_unanswered``."""
        readings, events = self._unkept
        while self._queue:
            item = self._queue.popleft()
            if isinstance(item, FactNoted):
                # The rules hear of it where it stands in time; some conditions are made of facts.
                events.extend(self.watch.note(item))
                events.append(item)
            elif isinstance(item, _Request):
                self._act(item.action, item.promise, events)
            else:
                readings.extend(item)
                events.extend(self.watch.feed(item))
                self._counts["readings"] += len(item)
        if not self._closing:
            events.extend(self.watch.advance(now))

    def _act(self, action: OperatorAction, promise: _Promise, events: list[Event]) -> None:
        try:
            promise.events = list(self.watch.act(action))
        except ActionRefused as refusal:
            if not promise.future.done():
                promise.future.set_exception(refusal)
            return
        events.extend(promise.events)
        self._unanswered.append(promise)
        # An action is an input the readings do not hold: a restart must not depend on hearing it
        # again, so the state it led to is saved with it.
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
        # Queued like anything else: it is judged with the next turn, and kept once that can be.
        self.note(FactNoted(
            time=self._clock.now(), site=self._site, fact=f"journal-trouble-{what}", text=text,
        ))

    def _bound_memory(self) -> None:
        readings = self._unkept[0]
        excess = len(readings) - _KEPT_IN_MEMORY
        if excess > 0:
            del readings[:excess]
            self._counts["dropped"] += excess
            _log.error("%d readings given up: the journal has not written for too long", excess)

    async def _save_snapshot(self) -> None:
        state = json.dumps(self.watch.dump(), separators=(",", ":"))
        # The state is that after commit ``_number``: a restart feeds the readings of later ones.
        meta = {"watch": state, "watch_commit": str(self._number)}
        if await self._commit([], [], meta):
            self._snapshot_due = False


def restore(
    watch: Watch, *, state: Mapping[str, Any] | None, alarms: Sequence[AlarmMoved],
    commits: Sequence[tuple[Sequence[Reading], Sequence[FactNoted]]], tick: int | None,
) -> None:
    """Bring a new watch to where the last one was when its process ended.

    ``state`` is the last snapshot, ``alarms`` every alarm event journalled, ``commits`` the
    readings and facts of each commit since that snapshot, ``tick`` the instant the last commit had
    judged up to. The events this causes were committed then, and are dropped.
    """
    watch.load(state or {}, alarms)
    for readings, facts in commits:
        watch.catch_up(readings, facts=facts)
    watch.catch_up((), tick)


def restore_from_journal(watch: Watch, journal: Journal) -> int:
    """Bring a new monitor to where the last process left it; return the last commit's number."""
    saved, tick = journal.meta("watch"), journal.meta("tick")
    commits, last = _commits_after(journal, int(journal.meta("watch_commit") or 0))
    restore(
        watch, state=json.loads(saved) if saved else None, commits=commits,
        tick=int(tick) if tick else None,
        alarms=[s.event for s in journal.events(kind="alarm") if isinstance(s.event, AlarmMoved)],
    )
    return last


def _commits_after(
    journal: Journal, position: int,
) -> tuple[list[tuple[Sequence[Reading], Sequence[FactNoted]]], int]:
    commits: list[tuple[Sequence[Reading], Sequence[FactNoted]]] = []
    while batch := journal.after(position, 1000):
        for one in batch:
            facts = [s.event for s in one.events if isinstance(s.event, FactNoted)]
            if one.readings or facts:
                commits.append((one.readings, facts))
        position = batch[-1].number
    return commits, position
