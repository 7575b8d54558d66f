"""The bundled stories, their site files and profiles, and the command that plays them."""

from __future__ import annotations

import asyncio
import json
import signal
import sys
import tomllib
from collections import defaultdict
from pathlib import Path
from typing import Any

import pytest

from collector.clock import ManualClock
from collector.domain.conditions import CATALOGUE
from collector.domain.readings import QUANTITIES
from simulators.__main__ import main
from simulators.record import rows
from simulators.registers import REGISTER_SETS, assign
from simulators.scenario import bundled, load_scenario
from simulators.serving import FOLDER, fill_in_site, profile_text
from simulators.stage import Stage
from simulators.testing import PlantServer
from simulators.units import PSI, ScenarioError, parse

MINUTE, HOUR = 60_000, 3_600_000


def test_there_are_at_least_eight_stories() -> None:
    assert len(bundled()) >= 8
    assert "demo" in bundled()


@pytest.mark.parametrize("registers", REGISTER_SETS.values(), ids=list(REGISTER_SETS))
def test_shipped_profiles_are_the_register_sets(registers: Any) -> None:
    text = (FOLDER / registers.file_name).read_text(encoding="utf-8")
    assert text == profile_text(registers)
    profile = tomllib.loads(text)
    assert len(profile["points"]) == len(registers.points)
    for written, point in zip(profile["points"], registers.points, strict=True):
        assert written["quantity"] == point.quantity
        assert point.quantity in QUANTITIES[written["kind"]]
        if point.normally_open is not None:
            assert written["normally_open"]["address"] == point.normally_open
        else:
            assert (written["table"], written["address"]) == (point.table, point.address)
            assert written.get("scale", 1.0) == point.scale


@pytest.mark.parametrize("registers", REGISTER_SETS.values(), ids=list(REGISTER_SETS))
def test_no_two_points_share_a_register(registers: Any) -> None:
    taken: set[tuple[str, int]] = set()
    words = {"bit": 1, "int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
    for point in registers.points:
        if point.normally_open is not None:
            places = {("discrete-inputs", point.normally_open),
                      ("discrete-inputs", point.normally_closed)}
        else:
            places = {(point.table, point.address + i) for i in range(words[point.type])}
        assert not places & taken
        taken |= places


@pytest.mark.parametrize("name", bundled())
def test_site_file_and_scenario_tell_of_the_same_plant(name: str) -> None:
    scenario = load_scenario(name)
    site = tomllib.loads(fill_in_site(scenario, {s.id: f"at-{s.id}" for s in scenario.serve}))
    assert "{" not in str([d["address"] for d in site["devices"]])
    plant = scenario.plant
    for kind, specs in (("generators", plant.generators), ("risers", plant.risers),
                        ("vents", plant.vents), ("rooms", plant.rooms)):
        assert [t["id"] for t in site.get(kind, [])] == [s.id for s in specs]
    for told, spec in zip(site["risers"], scenario.plant.risers, strict=True):
        assert parse(told["volume"], "volume") == pytest.approx(spec.volume)
        assert parse(told["low_pressure"], "pressure") == pytest.approx(spec.low_pressure)
    units = {u.device: u for s in scenario.serve for u in s.units}
    assert set(units) == {d["id"] for d in site["devices"]}
    for device in site["devices"]:
        watches = device["watches"]
        assert device["unit"] == units[device["id"]].unit
        assert device["profile"] == units[device["id"]].registers + ".toml"
        assert ((watches,) if isinstance(watches, str) else tuple(watches)) \
            == units[device["id"]].watches


@pytest.mark.parametrize("name", bundled())
def test_no_point_has_two_tellers(name: str) -> None:
    stage = Stage(load_scenario(name))
    told: dict[str, str] = {}
    for serve in stage.scenario.serve:
        for unit in serve.units:
            for _, point in assign(REGISTER_SETS[unit.registers].points, unit.watches,
                                   stage.kind_of):
                assert point not in told, (point, unit.device, told[point])
                told[point] = unit.device


@pytest.fixture(scope="module")
def demo() -> dict[str, list[tuple[int, Any]]]:
    scenario = load_scenario("demo")
    stage = Stage(scenario)
    seen: dict[str, list[tuple[int, Any]]] = defaultdict(list)
    # As far as two minutes at the demo's own speed reach.
    for time, point, value in rows(stage, round(120_000 * scenario.speed), 20_000):
        seen[point].append((time - scenario.plant.start, value))
    return seen


def _runs(samples: list[tuple[int, Any]], word: Any) -> list[tuple[float, float]]:
    """Return (start, length) in minutes of every stretch in which the value was ``word``."""
    out, began = [], None
    for time, value in [*samples, (samples[-1][0] + 20_000, object())]:
        if value == word and began is None:
            began = time
        elif value != word and began is not None:
            out.append((began / MINUTE, (time - began) / MINUTE))
            began = None
    return out


def test_demo_has_one_long_run_and_it_ends(demo: Any) -> None:
    long = [r for r in _runs(demo["gen1.compressor_running"], 1.0) if r[1] > 11]
    assert len(long) == 1
    assert long[0][0] + 12 < 20 * 400 / 60  # raised within 20 s of wall time
    assert long[0][1] > 30
    assert max(r[1] for r in _runs(demo["gen2.compressor_running"], 1.0)) < 11


def test_demo_sticks_in_air_fill_once(demo: Any) -> None:
    (stuck,) = _runs(demo["gen2.mode"], "air-fill")
    assert stuck[1] > 60
    assert _runs(demo["gen1.mode"], "air-fill") == []


def test_demo_s_purge_progresses_stalls_and_goes_on(demo: Any) -> None:
    oxygen = {round(t / MINUTE): v for t, v in demo["r2-vent.oxygen"]}
    assert oxygen[0] > 20
    assert 3 < oxygen[280] < 6  # clear progress, still above the target when the water comes
    assert abs(oxygen[300] - oxygen[530]) < 0.8  # hours without
    assert oxygen[12 * 60] < 2.5


def test_demo_s_controller_is_silent_and_comes_back(demo: Any) -> None:
    ((_, silent),) = _runs(demo["gen2.tank_pressure"], None)
    assert silent == pytest.approx(48, abs=2)
    ((_, apart),) = _runs(demo["gen2.trouble"], None)
    assert apart == pytest.approx(48, abs=2)


def test_demo_is_otherwise_quiet(demo: Any) -> None:
    for riser in ("r1", "r2", "r3"):
        assert {v for _, v in demo[f"{riser}.low_air"]} == {0.0}
        assert all(v is None or 20 < v < 30 for _, v in demo[f"{riser}.pressure"])
    assert all(v > 20.5 for _, v in demo["plant-room.oxygen"])
    assert {v for _, v in demo["gen1.trouble"]} == {0.0}


def test_demo_s_people_acknowledge_what_the_catalogue_knows() -> None:
    scenario = load_scenario("demo")
    assert len(scenario.people) >= 4
    for person in scenario.people:
        condition, _, asset = person.acknowledges.partition(".")
        assert CATALOGUE[condition].built
        assert asset
        assert person.by


def test_quiet_depot_is_quiet() -> None:
    scenario = load_scenario("quiet-depot")
    stage = Stage(scenario)
    run = longest = 0
    for _, point, value in rows(stage, 48 * HOUR, 30_000):
        if point == "gen1.compressor_running":
            run = run + 30 if value == 1.0 else 0
            longest = max(longest, run)
        if point == "r1.pressure":
            assert isinstance(value, float)
            assert 23 < value < 27
    assert 60 < longest < 11 * 60


def test_same_seed_same_bytes(tmp_path: Path) -> None:
    files = []
    for number, seed in enumerate(("8", "8", "9")):
        files.append(tmp_path / f"{number}.csv")
        assert main(["demo", "--seed", seed, "--record", str(files[-1]), "--for", "40 min"]) == 0
    one, two, other = (f.read_bytes() for f in files)
    assert one == two
    assert one != other
    lines = one.decode().splitlines()
    assert lines[0] == "time,point,value"
    assert lines[1].startswith("2026-03-02T06:00:00Z,gen1.")
    assert ",nitrogen" in one.decode()


def test_recorded_silence_is_an_empty_value() -> None:
    stage = Stage(load_scenario("demo"))
    stage.order("silent", True, {"device": "vents"})
    stage.order("frozen-registers", True, {"device": "room-monitor"})
    stage.order("wire-off", True, {"point": "gen1.trouble_nc"})
    seen: dict[str, set[Any]] = defaultdict(set)
    for _, point, value in rows(stage, 30 * MINUTE, MINUTE):
        seen[point].add(value)
    assert seen["r2-vent.oxygen"] == {None}
    assert len(seen["plant-room.temperature"]) == 1
    assert seen["gen1.trouble"] == {None}
    assert seen["gen1.trouble_no"] == {0.0}


def _files(folder: Path) -> dict[str, str]:
    return {p.name: p.read_text(encoding="utf-8") for p in folder.glob("*.toml")}


async def _next_line(process: asyncio.subprocess.Process) -> str:
    assert process.stdout is not None
    return (await asyncio.wait_for(process.stdout.readline(), 20)).decode()


async def _start(*arguments: str) -> asyncio.subprocess.Process:
    pipe = asyncio.subprocess.PIPE
    return await asyncio.create_subprocess_exec(
        sys.executable, "-m", "simulators", *arguments, stdin=pipe, stdout=pipe, stderr=pipe)


async def test_command_says_one_line_when_ready_and_ends_with_its_starter(tmp_path: Path) -> None:
    process = await _start("demo", "--speed", "7200", "--write-site", str(tmp_path),
                           "--until-stdin-closes")
    ready = json.loads(await _next_line(process))
    assert ready["ready"] is True
    assert (ready["origin"], ready["speed"]) == (1772431200000, 7200)
    assert ready["people"][0]["at"] == ready["origin"] + 80 * MINUTE
    written = _files(tmp_path)
    assert Path(ready["site"]) == tmp_path / "site.toml"
    assert ready["addresses"]["tcp-1"] in written["site.toml"]
    assert set(written) >= {"generator-a.toml", "contacts-c.toml"}
    assert process.stdin is not None
    assert process.stderr is not None
    told = (await asyncio.wait_for(process.stderr.readline(), 10)).decode()
    assert told.startswith("2026-03-02T06:20:00Z  leak-step on")
    process.stdin.close()
    assert await asyncio.wait_for(process.wait(), 10) == 0
    assert await process.stdout.read() == b""  # type: ignore[union-attr]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
async def test_command_ends_cleanly_on_a_signal(number: signal.Signals) -> None:
    process = await _start("archive-purge", "--speed", "1")
    assert json.loads(await _next_line(process))["addresses"]["rtu-1"].startswith("rtu:/dev/")
    process.send_signal(number)
    assert await asyncio.wait_for(process.wait(), 10) == 0
    assert process.stderr is not None
    assert await process.stderr.read() == b""


@pytest.mark.parametrize(("arguments", "says"), [
    (["nowhere"], "no bundled scenario of that name"),
    (["demo", "--for", "3 psi", "--record", "x.csv"], "no unit of duration"),
    (["demo", "--speed", "0"], "must be above 0"),
])
def test_a_mistake_exits_2_with_a_message(arguments: list[str], says: str,
                                          capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == 2
    out = capsys.readouterr()
    assert says in out.err
    assert "Traceback" not in out.err
    assert out.out == ""


def test_a_wrong_order_in_a_story_is_found_before_the_start(tmp_path: Path) -> None:
    text = (Path(FOLDER).parent / "scenarios" / "quiet-depot.toml").read_text(encoding="utf-8")
    text = text.replace('site = "quiet-depot.site.toml"\n', "")
    path = tmp_path / "mine.toml"
    path.write_text(text + '\n[[act]]\nat = "2 h"\nfault = "no-stop"\ngenerator = "gen7"\n',
                    encoding="utf-8")
    with pytest.raises(ScenarioError, match="no-stop.*at 2 h.*there is no generator 'gen7'"):
        Stage(load_scenario(path))
    path.write_text(text + "\n[[actt]]\n", encoding="utf-8")
    with pytest.raises(ScenarioError, match="unknown keys: actt"):
        load_scenario(path)


async def test_plant_server_for_other_tests() -> None:
    scenario = load_scenario("demo")
    clock = ManualClock(scenario.plant.start)
    async with PlantServer("demo", clock=clock) as plant:
        clock.advance(25 * MINUTE)
        plant.catch_up()
        assert plant.log == ['2026-03-02T06:20:00Z  leak-step on  '
                              '{"flow": "1.48 scfm", "riser": "r1"}']
        plant.fault("riser-trip", riser="r3")
        clock.advance(20 * MINUTE)
        plant.catch_up()
        assert plant.plant.risers["r3"].gauge < 2 * PSI


@pytest.mark.parametrize(("text", "dimension", "value"), [
    ("80 psi", "pressure", 551580.58), ("1 bar", "pressure", 1e5), ("60 gal", "volume", 0.22712),
    ("30 min", "duration", 1800.0), ("2 %", "fraction", 0.02), ("60 degF", "temperature", 288.7056),
    (3, "number", 3.0)])
def test_quantities(text: object, dimension: str, value: float) -> None:
    """Factors by NIST SP 811 (from memory)."""
    assert parse(text, dimension) == pytest.approx(value, rel=1e-4)


@pytest.mark.parametrize("text", ["80", "eighty psi", "80 gal", True, None])
def test_wrong_quantities(text: object) -> None:
    with pytest.raises(ScenarioError):
        parse(text, "pressure")
