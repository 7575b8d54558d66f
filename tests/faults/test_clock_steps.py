"""A clock that is set while the monitor runs, and while it is restored: a gap, and bounded work."""

from __future__ import annotations

import json
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from collector.app.monitor import SiteMonitor
from collector.app.pipeline import Pipeline, restore
from collector.clock import ManualClock, parse_instant
from collector.domain.events import AlarmTransition, SystemEvent
from collector.domain.live import LivePicture
from collector.domain.readings import Reading
from tests.app.test_pipeline import Shelf
from tests.rules.support import DAY, HOUR, MINUTE, SECOND, T0, plant, settings, story

YEAR = 365 * DAY
BOUND = 50_000
"""Ticks that any one gap may cost: a week's look at each 30 s, and what is due besides."""

DEVICES = {"box": (5 * SECOND, ("gen1.compressor_running", "gen1.mode", "gen1.tank_pressure",
                                "r1.pressure", "r1-vent.oxygen"))}
VALUES = {"gen1.compressor_running": 0.0, "gen1.mode": 1.0, "gen1.tank_pressure": 70.0,
          "r1.pressure": 25.0, "r1-vent.oxygen": 1.5}


def polls(start: int, end: int, **other: float) -> list[Reading]:
    """Return a poll of every point each 5 s between two instants (ms since 1970)."""
    values = VALUES | {k.replace("__", "."): v for k, v in other.items()}
    return [Reading(point=point, asked=at, time=at, value=value)
            for at in range(start, end, 5 * SECOND) for point, value in values.items()]


def a_watch(**given: dict[str, object]) -> SiteMonitor:
    return SiteMonitor(plant=plant(devices=DEVICES), settings=settings(**given))


def low(monitor: SiteMonitor, events: list[object]) -> list[str]:
    return [e.transition.value for e in events
            if isinstance(e, AlarmTransition) and e.condition == "pressure-low"]


@pytest.mark.parametrize("jump", [20 * SECOND, 2 * MINUTE, 3 * HOUR, DAY, 400 * DAY, 55 * YEAR])
def test_no_delay_passes_in_a_gap(jump: int) -> None:
    monitor = a_watch(pressure_low={"on_delay": 10 * MINUTE})
    events = monitor.feed(polls(T0, T0 + 10 * MINUTE))
    events += monitor.feed(polls(T0 + 10 * MINUTE, T0 + 11 * MINUTE, r1__pressure=15.0))
    after = T0 + 11 * MINUTE + jump
    events += monitor.advance(after)
    events += monitor.feed(polls(after, after + 8 * MINUTE, r1__pressure=15.0))
    assert low(monitor, events) == []
    events += monitor.feed(polls(after + 8 * MINUTE, after + 12 * MINUTE, r1__pressure=15.0))
    assert low(monitor, events) == ["raised"]


@pytest.mark.parametrize("jump", [3 * HOUR, 55 * YEAR])
def test_no_delay_passes_in_a_gap_while_state_is_restored(jump: int) -> None:
    first = a_watch(pressure_low={"on_delay": 10 * MINUTE})
    first.feed(polls(T0, T0 + 10 * MINUTE))
    state = json.loads(json.dumps(first.dump()))
    before = polls(T0 + 10 * MINUTE, T0 + 11 * MINUTE, r1__pressure=15.0)
    after = T0 + 11 * MINUTE + jump
    beyond = polls(after, after + MINUTE, r1__pressure=15.0)
    again = a_watch(pressure_low={"on_delay": 10 * MINUTE})
    restore(again, state=state, alarms=[], commits=[(before, []), (beyond, [])],
            tick=after + MINUTE)
    events = again.feed(polls(after + MINUTE, after + 8 * MINUTE, r1__pressure=15.0))
    assert low(again, events) == []
    events += again.feed(polls(after + 8 * MINUTE, after + 13 * MINUTE, r1__pressure=15.0))
    assert low(again, events) == ["raised"]
    assert again.statistics().ticks < BOUND


@pytest.mark.parametrize("jump", [3 * HOUR, 55 * YEAR, -10 * MINUTE, -50 * YEAR])
def test_an_alarm_stays_active_across_a_step_and_returns_when_it_is_seen_to(jump: int) -> None:
    monitor = a_watch()
    events = monitor.feed(polls(T0, T0 + 10 * MINUTE))
    events += monitor.feed(polls(T0 + 10 * MINUTE, T0 + 20 * MINUTE, r1__pressure=15.0))
    after = T0 + 20 * MINUTE + jump
    events += monitor.advance(after)
    events += monitor.feed(polls(after + SECOND, after + 2 * MINUTE, r1__pressure=15.0))
    assert low(monitor, events) == ["raised"]
    events += monitor.feed(polls(after + 2 * MINUTE, after + 20 * MINUTE))
    assert low(monitor, events) == ["raised", "returned"]


async def test_a_clock_that_starts_in_1971_and_is_set_right_goes_on_and_restarts() -> None:
    clock = ManualClock(parse_instant("1971-01-01T00:00:00Z"))
    journal = Shelf()

    def pipeline(monitor: SiteMonitor) -> Pipeline:
        return Pipeline(site="fenmoor", monitor=monitor, store=journal, picture=LivePicture(),
                        clock=clock, committed=lambda *_: None)

    async def pass_time(running: Pipeline, duration: int) -> None:
        for _ in range(duration // SECOND):
            clock.advance(SECOND)
            now = clock.now()
            if now % (5 * SECOND) == 0:
                running.put(polls(now, now + 1))
            await running.turn()

    first = pipeline(a_watch())
    await pass_time(first, 2 * MINUTE)
    first.snapshot_soon()
    await pass_time(first, MINUTE)
    kept = int(journal.meta["watch_commit"])
    clock.jump(T0 - clock.now())
    await pass_time(first, 5 * MINUTE)
    assert first.monitor.statistics().ticks < BOUND
    moved = [(e.condition, e.transition.value) for e in journal.events
             if isinstance(e, AlarmTransition)]
    assert moved == [("clock-jump", "raised")]

    again = a_watch()
    restore(again, state=json.loads(journal.meta["watch"]),
            alarms=[e for e in journal.events if isinstance(e, AlarmTransition)],
            commits=[(readings, [e for e in events if isinstance(e, SystemEvent)])
                     for readings, events in journal.commits[kept:]],
            tick=int(journal.meta["tick"]))
    assert again.statistics().ticks < BOUND
    second = pipeline(again)
    await pass_time(second, MINUTE)
    assert again.statistics().ticks < BOUND
    assert [e.condition for e in journal.events if isinstance(e, AlarmTransition)] == ["clock-jump"]


@examples(max_examples=60, deadline=None)
@given(st.lists(st.integers(parse_instant("1970-01-01T00:00:00Z"),
                            parse_instant("9000-01-01T00:00:00Z")), min_size=2, max_size=6))
def test_the_work_is_bounded_for_any_instants(instants: list[int]) -> None:
    monitor = a_watch()
    for at in instants:
        before = monitor.statistics().ticks
        events = monitor.feed(polls(at, at + 30 * SECOND))
        events += monitor.advance(at + MINUTE)
        assert monitor.statistics().ticks - before < BOUND
        times = [e.time for e in events]
        assert all(a <= b for a, b in pairwise(times))


def test_years_between_two_rows_of_a_recording_cost_no_more_than_a_week() -> None:
    s = story(plant(devices=DEVICES)).feed([*polls(T0, T0 + MINUTE)])
    for years in (1, 60):
        s.feed(polls(T0 + years * YEAR, T0 + years * YEAR + MINUTE))
    assert s.monitor.statistics().ticks < BOUND
    days = {e.time for e in s.estimates("nitrogen-demand")}
    assert len(days) <= 2  # a day that nobody saw has no figure of its own
