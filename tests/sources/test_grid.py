"""The steady grid and the back-off."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from collector.sources.poller import BackOff, Grid


@given(st.text(min_size=1, max_size=12), st.integers(1, 3_600_000), st.integers(0, 2 * 10**12))
def test_the_grid_is_steady(device: str, every: int, now: int) -> None:
    grid = Grid.of(device, every)
    assert grid == Grid.of(device, every), "the same at every start"
    assert 0 <= grid.phase < max(1, min(every // 4, 500))
    step = grid.next(now)
    assert now < step <= now + every
    assert (step - grid.phase) % every == 0
    assert grid.next(step) == step + every


@given(st.integers(100, 3_600_000), st.integers(0, 2**32), st.integers(1, 40))
def test_back_off_grows_to_its_bound_and_no_further(every: int, seed: int, fails: int) -> None:
    back_off = BackOff(every, random.Random(seed))
    most = max(every, min(60_000, 12 * every))
    for n in range(fails):
        back_off.failed()
        steps = 1
        while back_off.skip():
            steps += 1
        whole = min(every * 2**n, most) // every
        assert whole - whole // 2 <= steps <= max(whole, 1)
    back_off.answered()
    assert back_off.wait == 0
    assert not back_off.skip()


def test_devices_that_fell_silent_together_drift_apart() -> None:
    rng = random.Random(7)
    offs = [BackOff(1000, rng) for _ in range(20)]
    for off in offs:
        for _ in range(8):
            off.failed()
    assert len({off.wait for off in offs}) > 3
