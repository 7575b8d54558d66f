"""What the pipeline tells the rules of itself: a clock that was set, a journal that is full."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest

from collector.app.monitor import SiteMonitor
from collector.app.pipeline import Pipeline, restore
from collector.clock import ManualClock
from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.errors import JournalFull
from collector.domain.events import AlarmTransition, Event, SystemEvent
from collector.domain.live import LivePicture
from collector.domain.readings import Reading
from tests.rules.support import HOUR, MINUTE, SECOND, T0, plant, settings


@dataclass
class Shelf:
    """A journal in memory that can be full."""

    full: bool = False
    commits: list[tuple[list[Reading], list[Event]]] = field(default_factory=list)
    meta: dict[str, str] = field(default_factory=dict)

    def commit(self, readings: Sequence[Reading], events: Sequence[Event], *,
               meta: Mapping[str, str] = {}) -> int:  # noqa: B006 - as the journal has it
        if self.full:
            raise JournalFull("no room on the disk")
        self.commits.append((list(readings), list(events)))
        self.meta |= meta
        return len(self.commits)

    @property
    def events(self) -> list[Event]:
        return [e for _, events in self.commits for e in events]


@dataclass
class Road:
    clock: ManualClock
    shelf: Shelf
    pipeline: Pipeline
    told: list[Event]

    async def pass_time(self, duration: int) -> None:
        """Poll one point and take a turn each second."""
        for _ in range(duration // SECOND):
            self.clock.advance(SECOND)
            now = self.clock.now()
            self.pipeline.put([Reading(point="r1.pressure", asked=now, time=now, value=25.0)])
            await self.pipeline.turn()

    def moves(self, condition: str) -> list[str]:
        return [e.transition.value for e in self.shelf.events
                if isinstance(e, AlarmTransition) and e.condition == condition]

    def facts(self) -> list[str]:
        return [e.fact for e in self.shelf.events if isinstance(e, SystemEvent)]


@pytest.fixture
def road() -> Road:
    clock, shelf = ManualClock(T0), Shelf()
    told: list[Event] = []
    return Road(clock, shelf, Pipeline(
        site="fenmoor", monitor=SiteMonitor(plant=plant(), settings=settings()), store=shelf,
        picture=LivePicture(), clock=clock, committed=lambda _, events: told.extend(events),
    ), told)


@pytest.mark.parametrize("jump", [5 * MINUTE, -5 * MINUTE, HOUR])
async def test_a_clock_that_was_set_is_an_alarm(road: Road, jump: int) -> None:
    await road.pass_time(MINUTE)
    road.clock.jump(jump)
    await road.pass_time(12 * MINUTE)
    assert road.facts() == ["clock-set"]
    assert road.moves("clock-jump") == ["raised", "returned"]
    alarm = next(e for e in road.told if isinstance(e, AlarmTransition))
    assert alarm.values["jump_seconds"] == jump / 1000


async def test_a_clock_that_only_runs_is_none(road: Road) -> None:
    await road.pass_time(5 * MINUTE)
    assert road.shelf.events == []


async def test_a_journal_that_cannot_write_is_an_alarm_and_nothing_leaves_before_it_is_kept(
    road: Road,
) -> None:
    await road.pass_time(MINUTE)
    road.shelf.full = True
    await road.pass_time(5 * MINUTE)
    assert [a.condition for a in road.pipeline.monitor.alarms()] == ["journal-trouble"]
    assert "no room on the disk" in road.pipeline.monitor.alarms()[0].text
    assert road.told == []  # not in the journal yet, so nobody is told
    road.shelf.full = False
    await road.pass_time(2 * MINUTE)
    assert road.facts() == ["journal-trouble-begun", "journal-trouble-ended"]
    assert road.moves("journal-trouble") == ["raised", "returned"]
    times = [e.time for e in road.shelf.events]
    assert times == sorted(times)
    assert road.told == road.shelf.events
    assert sum(len(readings) for readings, _ in road.shelf.commits) == 8 * 60


async def test_a_fill_declared_before_a_crash_still_stands(road: Road) -> None:
    await road.pass_time(MINUTE)
    road.pipeline.snapshot_soon()
    await road.pass_time(10 * SECOND)
    # The state as it was saved, and then the fill: the process ends before it is saved again.
    state, before = road.pipeline.monitor.dump(), len(road.shelf.commits)
    promise = road.pipeline.act(OperatorAction(kind=ActionKind.DECLARE_FILL, alarm="r1", by="kim",
                                       time=road.clock.now(), why="repaired",
                                       until=road.clock.now() + HOUR))
    asked = asyncio.ensure_future(promise)
    await asyncio.sleep(0)
    await road.pass_time(10 * SECOND)
    assert [e.fact for e in await asked if isinstance(e, SystemEvent)] == ["fill-declared"]
    again = SiteMonitor(plant=plant(), settings=settings())
    restore(again, state=state, alarms=[], tick=None, commits=[
        (readings, [e for e in events if isinstance(e, SystemEvent)])
        for readings, events in road.shelf.commits[before:]
    ])
    again.advance(road.clock.now() + 5 * SECOND)
    ended = [e for e in again.advance(road.clock.now() + 2 * HOUR) if isinstance(e, SystemEvent)]
    assert [e.fact for e in ended] == ["fill-ended"]


async def test_a_turn_that_is_cancelled_while_it_writes_is_written_once(road: Road) -> None:
    writing, go_on = threading.Event(), threading.Event()
    commit = road.shelf.commit

    def slowly(*given: Any, **more: Any) -> int:
        writing.set()
        go_on.wait(10)
        return commit(*given, **more)

    road.shelf.commit = slowly  # type: ignore[method-assign]
    road.pipeline.record_event(SystemEvent(time=T0, site="fenmoor", fact="noted-once", text="."))
    running = asyncio.create_task(road.pipeline.run())
    await asyncio.to_thread(writing.wait, 10)
    running.cancel()
    await asyncio.sleep(0)
    go_on.set()
    await asyncio.gather(running, return_exceptions=True)
    await road.pipeline.finish()
    assert running.cancelled()
    assert road.facts() == ["noted-once"]
    assert [e.fact for e in road.told if isinstance(e, SystemEvent)] == ["noted-once"]
