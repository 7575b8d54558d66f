"""Acceptance pages during a 24 h test: ``python -m tests.benchmarks.bench_acceptance``.

A real journal with a day of two risers, pressure and temperature every 5 s, packed but for the last
hour; the 24 h test of both under way. Asked of each page is what the first look costs, with nothing
remembered, and what the next one does.
"""

from __future__ import annotations

import asyncio
import math
import random
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import httpx

from collector.acceptance import Size
from collector.app.wiring import open_acceptance
from collector.clock import ManualClock
from collector.domain.readings import Reading
from collector.journal import Journal
from collector.web import create_app
from tests.acceptance.step_readings import POINTS, T0, a_plant
from tests.web.fakes import FakeSite

HOUR, HOURS = 3_600_000, 24
BEGAN = T0 + 1_234_567
NOW = BEGAN + HOURS * HOUR - 300_000
PAGES = ("/acceptance", "/acceptance/steps/tightness-24h.r1")
LIMIT = 300.0


def fill(journal: Journal) -> int:
    """Write 25 hours of two pipes that lose 0.4 psi a day, with noise and a warm noon."""
    rng, count = random.Random(1), 0
    for hour in range(HOURS + 1):
        rows: list[Reading] = []
        for at in range(T0 + hour * HOUR, T0 + (hour + 1) * HOUR, 5000):
            warmth = 15.0 + 3 * math.sin((at - T0) / HOUR / 4)
            gas = (55.0 - 0.4 * (at - T0) / HOUR / 24) / 288.15
            for riser in ("r1", "r2"):
                psi = round(gas * (warmth + 273.15) - 14.696 + rng.gauss(0, 0.03), 2)
                rows += [Reading(point=f"{riser}.{q}", asked=at, time=at, value=v) for q, v in (
                    ("pressure", psi), ("pipe_temperature", round(warmth + rng.gauss(0, 0.05), 1)))]
        journal.commit(rows, [])
        journal.pack(T0 + hour * HOUR)
        count += len(rows)
    return count


async def measure(journal: Journal, folder: Path, times: int) -> bool:
    plant = a_plant(points=(*POINTS, "r2.pipe_temperature"))
    service = open_acceptance(lambda: plant, folder, journal)
    record = service.open(by="Bench", size=Size.SMALL, now=BEGAN)
    for riser in ("r1", "r2"):
        service.begin(record.id, f"tightness-24h.{riser}", by="Bench", now=BEGAN)
    clock, slow = ManualClock(NOW), False
    app = create_app(replace(FakeSite().services(), plant=lambda: plant, acceptance=service,
                             clock=clock))
    async with httpx.AsyncClient(transport=httpx.ASGITransport(app), timeout=60,
                                 base_url="http://board") as client:
        for path in PAGES:
            firsts, nexts = [], []
            for _ in range(times):
                clock.jump(-1000)  # what is remembered of a later time is not used
                for kept in (firsts, nexts):
                    wall, cpu = time.perf_counter(), time.process_time()
                    page = await client.get(path)
                    kept.append((time.perf_counter() - wall, time.process_time() - cpu))
                    assert page.status_code == 200, page.text
                    assert "Lost so far" in page.text or path == "/acceptance"
            slow |= min(firsts)[0] * 1000 >= LIMIT
            print(f"{path:38} first look " + ", next ".join(
                f"{1000 * sorted(w for w, _ in kept)[times // 2]:6.1f} ms "
                f"({1000 * min(c for _, c in kept):.0f} ms of CPU)" for kept in (firsts, nexts)))
    return not slow


def main() -> int:
    with tempfile.TemporaryDirectory() as name, \
            Journal.open(Path(name) / "journal.sqlite") as journal:
        print(f"{fill(journal):,} readings of four points over 25 hours")
        return 0 if asyncio.run(measure(journal, Path(name), 5)) else 1


if __name__ == "__main__":
    sys.exit(main())
