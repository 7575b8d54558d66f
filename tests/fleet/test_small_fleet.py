"""The fleet's benchmark with fifty sites: two hubs, one killed, every event once, silence named."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.bench_fleet import run, show
from tests.forward.sparkplug.broker import needs_broker


@needs_broker
@pytest.mark.slow
@pytest.mark.timeout(240)
async def test_fifty_sites_two_hubs_one_killed(tmp_path: Path) -> None:
    made = await run(tmp_path, sites=50, seconds=6, every=2, quiet=3, groups=2, silent_after=15)
    show(made)
    assert made.events > 300
    assert (made.missing, made.double) == (0, 0)
    assert (made.unnamed, made.falsely_named) == (0, 0)
    assert made.slowest_named <= 60
