"""The only reader of time: what it promises to those who must not read time themselves."""

import asyncio
import doctest

import pytest

from collector import clock as clock_module
from collector.clock import ManualClock, ScaledClock, SystemClock, format_instant, parse_instant


def test_doctests_hold():
    assert doctest.testmod(clock_module).failed == 0


async def test_manual_clock_wakes_sleepers_in_order_and_only_when_due():
    clock = ManualClock(1_000)
    woken = []

    async def sleeper(name, duration):
        await clock.sleep(duration)
        woken.append((name, clock.now()))

    tasks = [asyncio.create_task(sleeper("b", 200)), asyncio.create_task(sleeper("a", 100))]
    await asyncio.sleep(0)
    clock.advance(99)
    await asyncio.sleep(0)
    assert woken == []
    clock.advance(200)
    await asyncio.gather(*tasks)
    assert [name for name, _ in woken] == ["a", "b"]


def test_manual_clock_jump_moves_the_wall_and_not_the_time_passed():
    clock = ManualClock(10_000)
    clock.jump(-3_600_000)
    assert (clock.now(), clock.monotonic()) == (-3_590_000, 0)
    with pytest.raises(ValueError, match="backwards"):
        clock.advance(-1)


def test_two_scaled_clocks_given_the_same_numbers_agree():
    started = SystemClock().now() - 1_000
    one = ScaledClock(origin=0, speed=400, started=started)
    two = ScaledClock(origin=0, speed=400, started=started)
    # 400 times as fast: 5 ms of real time between the two calls may pass on a busy machine.
    assert abs(one.now() - two.now()) < 400 * 50
    assert one.now() >= 400_000


@pytest.mark.parametrize("text", ["", "yesterday", "2026-03-01", "2026-03-01T00:10:05", "nan"])
def test_times_without_a_meaning_are_refused(text):
    with pytest.raises(ValueError, match=r"."):
        parse_instant(text)


def test_instants_survive_writing_and_reading_to_the_millisecond():
    for instant in (0, 1, 999, 1_772_323_805_250, -1, 253_402_300_799_999):
        assert parse_instant(format_instant(instant)) == instant
