"""Figures of the board, printed: ``python -m tests.benchmarks.bench_board``.

A year of history of 50 points in a real journal (each every 10 s in the last days, every hour
before), with its alarms and estimates. Each page is asked for over a real socket beside a bare
FastAPI and Jinja route that writes a table of 50 rows, in the same run; then trends of one point,
from hours to the year; and what a first load sends over the wire.

``--fine-days 365 --packed`` makes every hour of the year as full as the last ones: 158 million
readings. Committing and packing those would take most of an hour, so the hours before the last day
are written as the blocks that packing makes of them, by the function that packs. ``--keep FILE``
keeps the journal for another run.
"""

from __future__ import annotations

import argparse
import asyncio
import math
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import replace
from pathlib import Path
from statistics import median

import httpx
from fastapi import FastAPI
from jinja2 import Environment
from starlette.responses import HTMLResponse

from collector.app.board import past_services
from collector.clock import ManualClock
from collector.domain.events import (
    AlarmTransition,
    EstimateMade,
    Event,
    Priority,
    Signal,
    Transition,
)
from collector.domain.live import LivePicture
from collector.domain.plant import Device, Generator, Plant, Riser, Room, Site, Vent
from collector.domain.readings import QUANTITIES, Reading, split_point
from collector.handbook import find_html
from collector.journal import Journal
from collector.journal.history import GOOD, Row, write_hour
from collector.web import BoardServices, create_app, serve
from tests.web.fakes import FakeSite

HOUR, DAY = 3_600_000, 86_400_000
END = 1_784_448_000_000
NOW = END - 1000  # not on the hour, as people do not look on the hour
PAGES = ("/", "/alarms", "/alarms?q=pressure&from=2025-10-01", "/work", "/health", "/things/g0",
         "/things/g0?span=1w", "/things/g0?span=1y", "/things/r0", "/things/r0?span=1y",
         "/things/g0/compressor", "/things/g0/compressor?span=1w", "/things/g0/compressor?span=1y",
         "/things/v0/purge", "/explain/pressure-low")
SPANS = ("6h", "1d", "1w", "1m", "3m", "1y")
BARE = """<table>{% for row in rows %}<tr><th>{{ row.name }}</th><td>{{ row.value }}</td>
<td>{{ row.age }}</td></tr>{% endfor %}</table>"""


def plant() -> Plant:
    """Three generators, six risers with a vent each, a room: 50 points."""
    of = {"generator": ("tank_pressure", "compressor_running", "mode", "product_oxygen",
                        "running_hours", "start_count", "dew_point", "trouble"),
          "riser": ("pressure", "pipe_temperature"), "vent": ("oxygen", "open"),
          "room": ("oxygen", "temperature")}
    made = Plant(
        site=Site(id="year", name="A year of fifty points", timezone="Europe/London"),
        generators={f"g{n}": Generator(id=f"g{n}", name=f"Generator {n}", cut_in=60.0,
                                       cut_out=80.0) for n in range(3)},
        risers={f"r{n}": Riser(id=f"r{n}", name=f"Riser {n}", fed_by=f"g{n % 3}", volume=1.5,
                               supervisory_pressure=25.0, low_pressure=18.0) for n in range(6)},
        vents={f"v{n}": Vent(id=f"v{n}", name=f"Vent {n}", riser=f"r{n}", target_oxygen=2.0,
                             flow=0.0002) for n in range(6)},
        rooms={"room": Room(id="room", name="Plant room")},
    )
    devices = {t.id: Device(id=f"{t.id}-io", name=f"Device of {t.name}", every=10_000,
                            points=tuple(f"{t.id}.{q}" for q in of[t.kind]))
               for t in made.things()}
    return replace(made, devices={d.id: d for d in devices.values()})


def value(point: str, at: int, place: int) -> float:
    thing, quantity = split_point(point)
    phase = at / HOUR + place
    if QUANTITIES["generator"].get(quantity, QUANTITIES["room"]["oxygen"]).unit == "contact" \
            or quantity == "open":
        return float(math.sin(phase) > 0.6)
    if quantity == "mode":
        return 1.0
    return round(40.0 + 10.0 * math.sin(phase) + math.sin(at / 17_000), 1)


def fill(
    journal: Journal, points: list[str], days: int, fine_days: int, fine: int, *, packed: bool,
) -> int:
    """Write the history; return how many readings. ``packed``: all but the last day as blocks."""
    count, seams = 0, range(END - days * DAY, END, DAY)
    if packed:  # makes the points known, in the order of their numbers
        journal.commit([Reading(point=p, asked=seams[0] - 1, time=seams[0] - 1, value=0.0)
                        for p in points], [])
    for day in seams:
        every = fine if END - day <= fine_days * DAY else HOUR
        if packed and day < seams[-1]:
            journal.commit([], list(happened(day)))
            count += blocks(journal, points, day, every)
            continue
        rows = [Reading(point=p, asked=t, time=t, value=value(p, t, n))
                for t in range(day, day + DAY, every) for n, p in enumerate(points)]
        journal.commit(rows, list(happened(day)))
        journal.pack(day + DAY - HOUR)
        count += len(rows)
    return count


def blocks(journal: Journal, points: list[str], day: int, every: int) -> int:
    """Write a day's hours as packing would leave them, one transaction for the day."""
    count = 0
    with journal._database.writing() as db:
        for hour in range(day, day + DAY, HOUR):
            count += write_hour(db, hour // HOUR, {
                n + 1: [Row(t, n + 1, value(p, t, n), GOOD, 0, 0, 1)
                        for t in range(hour, hour + HOUR, every)]
                for n, p in enumerate(points)}).readings
    return count


def happened(day: int) -> Iterator[Event]:
    """Two alarms and twenty estimates a day."""
    for n in range(2):
        at = day + n * 9 * HOUR
        for step, transition in enumerate((Transition.RAISED, Transition.ACKNOWLEDGED,
                                           Transition.RETURNED)):
            yield AlarmTransition(time=at + step * 600_000, site="year", condition="pressure-low",
                             asset=f"r{n}", transition=transition, priority=Priority.HIGH,
                             signal=Signal.SUPERVISORY, since=at, id=f"pressure-low.r{n}.{at}",
                             text="Pressure low: 17.2 psi; the limit is 18.0 psi. " * 4)
    for n in range(20):
        yield EstimateMade(time=day, site="year", quantity="compressor-delivery", asset=f"g{n % 3}",
                           value=41.0 - n / 10, low=40.0, high=42.0, unit="scfh",
                           window=(day - DAY, day))


def services(journal: Journal) -> BoardServices:
    site, site_plant = FakeSite(), plant()
    picture = LivePicture()
    picture.update(journal.last_readings())

    async def trend(*asked: object) -> object:
        return await asyncio.to_thread(journal.trend, *asked)  # type: ignore[arg-type]

    async def events(start: int, end: int) -> list[Event]:
        return await asyncio.to_thread(
            lambda: [s.event for s in journal.events(start=start, end=end)])

    return replace(
        site.services(), plant=lambda: site_plant, clock=ManualClock(NOW), picture=picture,
        alarms=list, not_monitored=list, fills=list, trend=trend, events=events,  # type: ignore[arg-type]
        baselines=list, handbook=find_html, past=past_services(lambda: journal,
                                                               lambda: site_plant),
    )


def bare(app: FastAPI) -> None:
    template = Environment(autoescape=True).from_string(BARE)

    @app.get("/bare")
    async def page() -> HTMLResponse:
        rows = [{"name": f"point {n}", "value": n * 1.5, "age": "4 s"} for n in range(50)]
        return HTMLResponse(template.render(rows=rows))


async def timed(call: Callable[[], Awaitable[httpx.Response]], times: int) -> tuple[float, int]:
    """Return the middle of the times (ms) and the bytes of the answer."""
    took, size = [], 0
    for _ in range(times):
        began = time.perf_counter()
        answer = await call()
        took.append(1000 * (time.perf_counter() - began))
        assert answer.status_code == 200, answer.text
        size = len(answer.content)
    return median(took), size


async def measure(journal: Journal, times: int) -> bool:
    bare_app = FastAPI()
    bare(bare_app)
    slow: list[str] = []
    async with httpx.AsyncClient(timeout=60) as client, asyncio.TaskGroup() as group:
        tasks, addresses = [], []
        for app in (create_app(services(journal)), bare_app):
            ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
            tasks.append(group.create_task(serve(app, "127.0.0.1", 0, ready.set_result)))
            addresses.append(await ready)
        board, other = addresses
        plain, _ = await timed(lambda: client.get(f"{other}/bare"), 5 * times)
        print(f"a bare route with a table of 50 rows: {plain:.1f} ms")
        for path in PAGES:
            took, size = await timed(lambda: client.get(board + path), times)  # noqa: B023
            print(f"{path:38} {took:7.1f} ms, {took / plain:5.1f} times bare, "
                  f"{size / 1000:6.1f} kB")
            slow += [path] if took >= 300 else []
        for span in SPANS:
            for path in (f"/points/g0.tank_pressure?span={span}",):
                took, size = await timed(lambda: client.get(board + path), times)  # noqa: B023
                print(f"{path:38} {took:7.1f} ms, {took / plain:5.1f} times bare, "
                      f"{size / 1000:6.1f} kB")
                slow += [path] if took >= 500 else []
        sizes = [len((await client.get(board + p)).content) for p in (
            "/", "/static/board.css", "/static/board.js", "/static/mark.svg")]
        print(f"first load: {sum(sizes) / 1000:.1f} kB (page, sheet, script, mark), not compressed")
        for task in tasks:
            task.cancel()
    print("over the limit: " + (", ".join(slow) or "nothing") + "  (300 ms a page, 500 ms a trend)")
    return not slow and sum(sizes) <= 200_000


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--fine-days", type=int, default=8)
    parser.add_argument("--fine", type=int, default=10, help="seconds between the fine readings")
    parser.add_argument("--times", type=int, default=7)
    parser.add_argument("--packed", action="store_true",
                        help="write all but the last day as packed hours")
    parser.add_argument("--keep", type=Path, metavar="FILE",
                        help="the journal to make, or to measure if it is there")
    options = parser.parse_args()
    points = [p for d in plant().devices.values() for p in d.points]
    with tempfile.TemporaryDirectory() as name:
        path = options.keep or Path(name) / "journal.sqlite"
        there = path.exists()
        with Journal.open(path) as journal:
            if not there:
                began = time.perf_counter()
                count = fill(journal, points, options.days, options.fine_days,
                             options.fine * 1000, packed=options.packed)
                print(f"{count:,} readings of {len(points)} points over {options.days} days, "
                      f"written and packed in {time.perf_counter() - began:.0f} s")
                journal.retain(oldest=None, max_bytes=None)
            print(f"the journal has {path.stat().st_size / 1e6:,.0f} MB")
            return 0 if asyncio.run(measure(journal, options.times)) else 1


if __name__ == "__main__":
    sys.exit(main())
