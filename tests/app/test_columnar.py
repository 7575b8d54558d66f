"""Columns in, the same events and the same state as by feeding one reading after the other."""

from __future__ import annotations

import json
import random
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy
import pytest

from collector.app.monitor import SiteMonitor
from collector.config import load_site
from collector.domain.events import AlarmTransition, Event, event_to_json
from collector.domain.plant import Generator, Plant, Riser, Vent
from collector.domain.readings import MODES, Columns, Quality, Reading
from simulators.record import rows
from simulators.scenario import load_scenario
from simulators.serving import write_site
from simulators.stage import Stage
from tests.benchmarks.bench_replay import told_alike
from tests.rules.support import DAY, HOUR, MINUTE, SECOND, T0, plant, settings

# Each story is told twice, once one reading after the other.
pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]

POINTS = (
    "gen1.tank_pressure", "gen1.compressor_running", "gen1.mode", "gen1.product_oxygen",
    "gen1.running_hours", "gen1.start_count", "gen1.power", "gen1.trouble", "gen1.trouble_no",
    "gen1.trouble_nc", "r1.pressure", "r1.pipe_temperature", "r1.valve_room_temperature",
    "r1.low_air", "r1-vent.oxygen", "r1-vent.open", "r1-vent.water", "plant-room.oxygen",
)
DEVICES = {
    "controller": (10 * SECOND, POINTS[:14]), "vents": (10 * SECOND, POINTS[14:17]),
    "room": (30 * SECOND, POINTS[17:]),
}


def site(*, devices: bool) -> Plant:
    return plant(
        devices=DEVICES if devices else None,
        generator=Generator(id="gen1", name="Generator 1", cut_in=60.0, cut_out=80.0,
                            tank_volume=0.2271, nitrogen_delivery=0.02),
        riser=Riser(id="r1", name="Dock riser", fed_by="gen1", low_pressure=18.0,
                    high_pressure=40.0, supervisory_pressure=25.0, volume=1.7),
        vent=Vent(id="r1-vent", name="Dock vent", riser="r1", target_oxygen=2.0, flow=0.007),
    )


def columns_of(readings: Sequence[Reading]) -> Columns:
    names: list[str] = []
    codes = {}
    for r in readings:
        if r.point not in codes:
            codes[r.point] = len(names)
            names.append(r.point)
    return Columns(
        names=names, times=numpy.array([r.time for r in readings], numpy.int64),
        points=numpy.array([codes[r.point] for r in readings], numpy.int32),
        values=numpy.array([numpy.nan if r.value is None else r.value for r in readings], float),
        good=numpy.array([r.value is not None and r.quality is Quality.GOOD for r in readings],
                         bool),
    )


def watch_of(where: Plant) -> SiteMonitor:
    return SiteMonitor(plant=where, settings=settings())


def pieces(readings: Sequence[Reading], sizes: Iterable[int]) -> Iterable[Sequence[Reading]]:
    start = 0
    for size in sizes:
        if start < len(readings):
            yield readings[start:start + size]
        start += size


def told(events: Iterable[Event]) -> list[str]:
    return [event_to_json(e) for e in events]


def hold(where: Plant, readings: Sequence[Reading], seed: int = 1, size: int = 5000) -> list[Event]:
    """Feed in both ways, in pieces of chance, with a restart of both on the way."""
    chance = random.Random(seed)
    sizes = [chance.randint(1, size) for _ in range(2 + 4 * len(readings) // size)]
    plain, swift = watch_of(where), watch_of(where)
    said: list[Event] = []
    swiftly: list[Event] = []
    for number, piece in enumerate(pieces(readings, [*sizes, len(readings)])):
        said += plain.feed(piece)
        swiftly += swift.feed_columns(columns_of(piece))
        assert told(swiftly) == told(said)
        if number % 7 == 3:
            assert json.dumps(swift.dump()) == json.dumps(plain.dump())
            plain, swift = resumed(where, plain, said), resumed(where, swift, swiftly)
    said += plain.advance(readings[-1].time)
    swiftly += swift.advance(readings[-1].time)
    assert told(swiftly) == told(said)
    assert json.dumps(swift.dump()) == json.dumps(plain.dump())
    assert swift.statistics() == plain.statistics()
    assert [a.text for a in swift.alarms()] == [a.text for a in plain.alarms()]
    return said


def resumed(where: Plant, monitor: SiteMonitor, events: Iterable[Event]) -> SiteMonitor:
    fresh = watch_of(where)
    fresh.load(json.loads(json.dumps(monitor.dump())),
               [e for e in events if isinstance(e, AlarmTransition)])
    return fresh


def wander(seed: int, hours: int, every: int) -> list[Reading]:
    """A plant made of chance: levels that wander, contacts that flip, hard times of all kinds."""
    chance = random.Random(seed)
    value = {p: 60.0 for p in POINTS} | {
        "r1.pressure": 25.0, "r1-vent.oxygen": 12.0, "gen1.product_oxygen": 1.5,
        "plant-room.oxygen": 20.9, "r1.pipe_temperature": 5.0, "r1.valve_room_temperature": 8.0,
    }
    contacts = [p for p in POINTS if p.rpartition(".")[2] in (
        "compressor_running", "power", "trouble", "trouble_no", "trouble_nc", "low_air", "open",
        "water")]
    value |= {p: 0.0 for p in contacts} | {"gen1.power": 1.0, "gen1.mode": 1.0,
                                           "gen1.trouble_nc": 1.0}
    found = []
    for at in range(T0, T0 + hours * HOUR, every):
        for p in POINTS:
            if p in contacts:
                if chance.random() < 0.004:
                    value[p] = 1.0 - value[p]
            elif p == "gen1.mode":
                if chance.random() < 0.002:
                    value[p] = float(chance.randrange(len(MODES)))
            elif p in ("gen1.start_count", "gen1.running_hours"):
                value[p] += chance.random() < 0.01
            else:
                value[p] += chance.gauss(0, 0.15) - 0.001 * (value[p] - 20)
            found.append(Reading(point=p, asked=at, time=at, value=round(value[p], 2)))
    return found


def troubled(readings: Sequence[Reading], seed: int) -> list[Reading]:
    """Bad and missing values, silences, repeated rows, a watch that was down."""
    chance = random.Random(seed)
    gone: dict[str, int] = {}
    down = readings[len(readings) // 2].time
    found = []
    for r in readings:
        if down < r.time < down + 20 * MINUTE or chance.random() < 0.01:
            continue
        if chance.random() < 0.0005:
            gone[r.point] = r.time + chance.choice([MINUTE, 10 * MINUTE, 2 * HOUR])
        if gone.get(r.point, 0) > r.time:
            if chance.random() < 0.5:
                found.append(replace(r, value=None, quality=Quality.STALE))
            continue
        if chance.random() < 0.003:
            r = replace(r, quality=Quality.BAD)
        elif chance.random() < 0.001:
            r = replace(r, value=chance.choice([float("nan"), float("inf"), -1e9]))
        found.append(r)
        if chance.random() < 0.01:
            found.append(replace(r, value=1.0))
    return found


def long(*values: object) -> object:
    return pytest.param(*values, marks=pytest.mark.long)


@pytest.mark.parametrize("devices", [True, long(False)])
@pytest.mark.parametrize("seed", [0, 1, long(2), long(3)])
def test_a_plant_of_chance_in_hard_times(seed: int, devices: bool) -> None:
    every = (1, 5, 10, 20)[seed] * SECOND
    readings = troubled(wander(seed, max(1, every // 1300), every), seed)
    events = hold(site(devices=devices), readings, seed)
    assert len({e.condition for e in events if isinstance(e, AlarmTransition)}) > 3


@pytest.mark.parametrize("devices", [True, long(False)])
def test_uneven_polls(devices: bool) -> None:
    chance = random.Random(5)
    readings = wander(5, 6, 7 * SECOND)
    moved = sorted((replace(r, time=r.time + chance.randrange(3000)) for r in readings),
                   key=lambda r: r.time)
    hold(site(devices=devices), moved, 5)


def test_late_rows_between_pieces_and_a_clock_set_back() -> None:
    readings = wander(6, 6, 10 * SECOND)
    half = len(readings) // 2
    late = [replace(r, time=r.time - 40 * SECOND) for r in readings[half:half + 300]]
    back = [replace(r, time=r.time - 2 * HOUR) for r in readings[half + 300:]]
    plain, swift = watch_of(site(devices=True)), watch_of(site(devices=True))
    for part in (readings[:half], late, readings[half:half + 90], back):
        assert told(swift.feed_columns(columns_of(part))) == told(plain.feed(part))
    assert plain.statistics().clock_sets == swift.statistics().clock_sets > 0
    assert json.dumps(swift.dump()) == json.dumps(plain.dump())


def test_nothing_at_all() -> None:
    assert watch_of(site(devices=True)).feed_columns(columns_of([])) == []


@pytest.mark.parametrize(("name", "days", "every"), [
    ("demo", 1, 10), ("black-out", 1, 5), ("tripped-riser", 1, 5),
    long("quiet-depot", 3, 30), long("archive-purge", 3, 60), long("growing-leak", 4, 60),
    long("lying-sensors", 2, 60), long("tired-compressor", 3, 60), long("contacts-alone", 2, 10),
    long("bad-manners", 1, 5),
])
def test_the_bundled_plants(name: str, days: int, every: int, tmp_path: Path) -> None:
    scenario = load_scenario(name)
    stage = Stage(scenario)
    readings = [
        Reading(point=point, asked=time, time=time, quality=Quality.GOOD,
                value=float(MODES.index(value)) if isinstance(value, str) else float(value))
        if value is not None else
        Reading(point=point, asked=time, time=time, value=None, quality=Quality.STALE)
        for time, point, value in rows(stage, min(days * DAY, 40_000 * every * SECOND // 20),
                                       every * SECOND)
    ]
    lines = {serve.id: f"tcp://127.0.0.1:{502 + n}" for n, serve in enumerate(scenario.serve)}
    site = load_site(write_site(scenario, lines, tmp_path), secrets=False)
    hold(site.plant, readings, days, 30_000)


@pytest.mark.parametrize(("name", "days"), [
    long("tripped-riser", 1), long("lying-sensors", 3), long("black-out", 2),
    long("bad-manners", 1),
])
def test_files_of_both_kinds_are_told_alike_by_columns_and_row_by_row(
    name: str, days: int, tmp_path: Path,
) -> None:
    events = [json.loads(line) for line in told_alike(name, days, tmp_path)]
    assert {e["kind"] for e in events} >= {"alarm", "estimate"}
    assert len({e["condition"] for e in events if e["kind"] == "alarm"}) > 1
