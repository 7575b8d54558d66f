"""Right and wrong register maps of drawn controllers, told to ``check`` and to the daemon.

``python -m tests.commissioning.wrong_maps`` prints the table.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from collector.clock import ScaledClock, SystemClock
from collector.commands.run import quiet_logs
from collector.config import load_site
from collector.daemon import Daemon
from collector.domain.events import AlarmTransition, Event
from collector.domain.units import MINUTE
from collector.sources import decode, width
from simulators.unknown_maps import Answering, Controller, draw_controller, serve_tcp
from simulators.unknown_maps.drawing import Cell, Manners, Signal

__all__ = ["KINDS", "STATES", "Case", "cases", "right_cases", "site_of", "output_of_check"]

KINDS = ("type", "order", "scale", "offset", "unit")
SPEED = 15.0
"""How many times as fast the controllers' own time runs."""

State = dict[str, Callable[[float], float]]


def _at(value: float, swing: float = 0.0) -> Signal:
    return lambda time: value + swing * (time % 60 / 60)


STATES: dict[str, State] = {
    "at work": {},
    "just powered, all empty": {
        "tank_pressure": _at(0.2), "pressure": _at(0.1), "product_oxygen": _at(20.7),
        "compressor_running": _at(1), "running_hours": _at(0.3), "start_count": _at(1),
        "mode": _at(2), "average": _at(0.0), "stuck": _at(0.2), "dew_point": _at(-3)},
    "empty and off": {
        "tank_pressure": _at(0.0), "pressure": _at(0.0), "product_oxygen": _at(0.0),
        "compressor_running": _at(0), "mode": _at(0), "average": _at(0.0), "stuck": _at(0.0)},
    "filling": {
        "tank_pressure": _at(7.1, 1.5), "pressure": _at(2.4, 0.4), "product_oxygen": _at(20.9),
        "compressor_running": _at(1), "mode": _at(2), "average": _at(6.4, 1.5), "stuck": _at(0.0)},
    "purge begun": {"product_oxygen": _at(4.8, -0.3), "compressor_running": _at(1),
                    "mode": _at(1)},
    "powered off, tank leaked": {
        "tank_pressure": _at(31.0, -0.05), "compressor_running": _at(0), "mode": _at(0),
        "average": _at(31.1), "stuck": _at(31.0), "product_oxygen": _at(0.0),
        "cabinet_temperature": _at(-6.0)},
    "pressure low": {"pressure": _at(11.4, -0.1)},
    "tripped, full of water": {"pressure": _at(96.0, -0.4), "tank_pressure": _at(41.0, -0.3),
                               "compressor_running": _at(1), "average": _at(42.0)},
}


@dataclass(kw_only=True)
class Case:
    """A controller in a state, and the map that somebody wrote for it."""

    name: str
    controller: Controller
    points: list[dict[str, Any]]
    unit: int
    others: list[Controller] = field(default_factory=list)
    wrong: str = ""
    """The points whose map is wrong."""
    start: float = 0.0


def _in_state(controller: Controller, state: State) -> Controller:
    def signal(cell: Cell) -> Signal:
        quantity = cell.point.rpartition(".")[2] or cell.name
        return state.get(quantity, state.get(cell.name.removesuffix(" again"), cell.signal))
    return replace(controller, cells=[replace(c, signal=signal(c)) for c in controller.cells])


_ORDER = ("word_order", "byte_order")


def right_points(controller: Controller) -> list[dict[str, Any]]:
    """Return the entries of the right profile."""
    found: list[dict[str, Any]] = []
    truth = controller.truth()
    for point, (cell, *_) in truth.items():
        quantity = point.rpartition(".")[2]
        if quantity.endswith("_nc"):
            continue
        if quantity.endswith("_no"):
            other = truth[point.removesuffix("_no") + "_nc"][0]
            found.append({"quantity": quantity.removesuffix("_no"), "point": point,
                          "normally_open": {"table": cell.table, "address": cell.address},
                          "normally_closed": {"table": other.table, "address": other.address}})
            continue
        entry: dict[str, Any] = {"quantity": quantity, "point": point, "table": cell.table,
                                 "address": cell.address, "type": cell.type}
        if cell.type != "bit":
            entry |= {"word_order": cell.word_order, "byte_order": cell.byte_order}
            scale = -cell.scale if cell.unit == "% N2" else cell.scale
            entry |= {"scale": scale} if scale != 1 else {}
            entry |= {"offset": 100.0} if cell.unit == "% N2" else {}
            unit = "%" if cell.unit == "% N2" else cell.unit
            entry |= {"unit": unit} if unit else {}
        if quantity == "mode":
            entry["values"] = {"0": "off", "1": "nitrogen", "2": "air-fill"}
        found.append(entry)
    return found


_MEASURED = ("tank_pressure", "pressure", "product_oxygen", "running_hours", "cabinet_temperature",
             "dew_point", "start_count")
_WIDTHS = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}


def _wrong(kind: str, case: Case, r: random.Random) -> Case:
    """Return the case with one mistake of that kind, as somebody with a bad sheet makes it."""
    points = [dict(p) for p in case.points]
    measured = [p for p in points if p["quantity"] in _MEASURED]
    other: list[Controller] = []
    unit = case.unit
    match kind:
        case "type":
            one = r.choice(measured)
            others = [t for t in _WIDTHS if t.lstrip("u") != one["type"].lstrip("u")]
            one["type"] = r.choice(others)
            wrong = f"{one['point']} as {one['type']}"
        case "order":
            wide = [p for p in measured if _WIDTHS[p["type"]] > 1]
            key = "word_order" if wide else "byte_order"
            for p in wide or measured:
                p[key] = "low-first" if p[key] == "high-first" else "high-first"
            wrong = f"{key} of the profile"
        case "scale":
            scaled = [p for p in measured if p.get("scale", 1) != 1 or p.get("unit") == "min"]
            one = r.choice(scaled or measured)
            if one.get("unit") == "min":
                one["unit"] = "h"
                wrong = f"{one['point']} in h"
            elif "scale" in one:
                del one["scale"]
                wrong = f"{one['point']} without its scale"
            else:
                one["scale"] = 10.0
                wrong = f"{one['point']} times ten"
        case "offset":
            step = r.choice([1, -1])
            if min(p["address"] for p in measured) == 0:
                step = 1
            for p in measured + [p for p in points if p["quantity"] == "mode"]:
                p["address"] += step
            wrong = f"every register {step:+d}"
        case _:
            number = case.controller.unit % 20 + 1
            # One that answers every question: silence is another trouble.
            other = [replace(draw_controller(case.controller.seed + 1), unit=number,
                             manners=Manners())]
            unit, wrong = number, f"unit {number}, another controller"
    return replace(case, name=f"{case.name}: {kind}", points=points, unit=unit, others=other,
                   wrong=wrong)


def right_cases(seeds: Sequence[int]) -> Iterator[Case]:
    """Give right maps: each controller at work, and in three of the other states."""
    states = list(STATES)
    for n, seed in enumerate(seeds):
        controller = draw_controller(seed)
        for k in (0, *(1 + (3 * n + i) % (len(states) - 1) for i in range(3))):
            there = _in_state(controller, STATES[states[k]])
            yield Case(name=f"{controller.style} {seed}, {states[k]}", controller=there,
                       points=right_points(there), unit=there.unit, start=37.0 * (seed % 20))


def cases(seeds: Sequence[int]) -> Iterator[Case]:
    """Give a wrong map of each kind for each controller, at work."""
    for seed in seeds:
        controller = draw_controller(seed)
        right = Case(name=f"{controller.style} {seed}", controller=controller,
                     points=right_points(controller), unit=controller.unit,
                     start=37.0 * (seed % 20))
        for kind in KINDS:
            r = random.Random(f"{seed}-{kind}")
            found = _wrong(kind, right, r)
            while not _differs(found, right):
                found = _wrong(kind, right, r)
            yield found


def _decoded(case: Case) -> dict[str, float | None]:
    """Return what the map makes of the registers at the start; ``None`` where they are refused."""
    with tempfile.TemporaryDirectory() as name:
        points = load_site(site_of(case, "tcp://127.0.0.1:1", Path(name))).devices[0].points
    image = next((c for c in (*case.others, case.controller) if c.unit == case.unit),
                 case.controller).image(case.start)
    found: dict[str, float | None] = {}
    for point in points:
        if point.table:
            cells = image[point.table]
            raw = [cells.get(a) for a in range(point.address, point.address + width(point))]
            whole = [w for w in raw if w is not None]
            found[point.point] = decode(point, whole).value if len(whole) == len(raw) else None
    return found


def _differs(wrong: Case, right: Case) -> bool:
    """Whether some value is wrong: an unsigned type in place of a signed one often is not."""
    ours, true = _decoded(wrong), _decoded(right)
    return any(ours[p] is None or true[p] is None or abs(ours[p] - true[p]) > 0.02 * abs(true[p])
               for p in true)


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + " }"
    return f'"{value}"' if isinstance(value, str) else repr(value)


def site_of(case: Case, address: str, folder: Path, timeout: str = "1 s") -> Path:
    """Write site file and profile into ``folder``."""
    at_work = draw_controller(case.controller.seed)
    cells = {c.name: c for c in at_work.cells}
    low, high = (cells[n].signal(0.0) for n in ("cut_in", "cut_out"))
    pressures = [cells["pressure"].signal(float(t)) for t in range(0, 600, 10)]
    held = sum(pressures) / len(pressures)
    lines = ["[profile]"]
    for point in case.points:
        lines += ["[[points]]", *(f"{k} = {_toml(v)}" for k, v in point.items() if k != "point")]
    (folder / "controller.toml").write_text("\n".join(lines) + "\n")
    site = folder / "site.toml"
    site.write_text(f"""\
[site]
id = "drawn"
timezone = "UTC"

[[generators]]
id = "gen1"
cut_in = "{low:.1f} psi"
cut_out = "{high:.1f} psi"

[[risers]]
id = "r1"
fed_by = "gen1"
supervisory_pressure = "{held:.1f} psi"
low_pressure = "{0.7 * held:.1f} psi"
high_pressure = "{1.5 * held:.1f} psi"

[[devices]]
id = "controller"
address = "{address}"
unit = {case.unit}
profile = "controller.toml"
max_registers = {case.controller.manners.largest_block}
max_gap = 0
pause = "{300 if case.controller.manners.shortest_pause else 0} ms"
retries = {1 if case.controller.manners.every_second else 0}
timeout = "{timeout}"
every = "5 s"
watches = ["gen1", "r1"]

[board]
listen = "127.0.0.1:0"
""")
    return site


async def output_of_check(case: Case) -> tuple[int, str]:
    """Return the exit status and the output of ``quietpipe check``."""
    began = time.monotonic()
    answering = Answering([case.controller, *case.others],
                          lambda: case.start + (time.monotonic() - began) * SPEED)
    with tempfile.TemporaryDirectory() as name:
        async with serve_tcp(answering) as address:
            site = site_of(case, address, Path(name))
            check = await asyncio.create_subprocess_exec(
                sys.executable, "-m", "collector.cli", "check", str(site), "--pause", "200 ms",
                stdout=asyncio.subprocess.PIPE)
            output, _ = await check.communicate()
    assert not {code for _, _, code, _, _ in answering.asked} - {1, 2, 3, 4}
    assert check.returncode is not None
    return check.returncode, output.decode()


RUN_SPEED = 60.0
"""How many times as fast as real time the daemon and its controllers run."""
_RUN_FOR = 4 * MINUTE
"""ms of its own time that a daemon runs at least, from its device's first answer on."""
_POLLS = 15
_LONGEST = 100.0
"""Real seconds: a machine that is busy with other things is slower."""


async def alarm_of_run(case: Case) -> str:
    """Return the text of the alarm ``readings-implausible`` that the daemon raised, or nothing."""
    clock = ScaledClock(origin=1_772_409_600_000, speed=RUN_SPEED, started=SystemClock().now())
    begun = clock.now()
    answering = Answering([case.controller, *case.others],
                          lambda: case.start + (clock.now() - begun) / 1000)
    raised: list[str] = []
    done = asyncio.Event()

    def on_event(event: Event) -> None:
        if isinstance(event, AlarmTransition) and event.condition == "readings-implausible" \
                and event.transition == "raised":
            raised.append(event.text)
            done.set()

    with tempfile.TemporaryDirectory() as name:
        async with serve_tcp(answering) as address:
            site = site_of(case, address, Path(name), timeout="20 s")
            daemon = Daemon(site, clock=clock, on_event=on_event)
            running = asyncio.create_task(daemon.run())
            end = time.monotonic() + _LONGEST
            while time.monotonic() < end and not _seen_enough(daemon, clock):
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(done.wait(), 0.5)
                    break
            daemon.stop()
            await running
    assert not {code for _, _, code, _, _ in answering.asked} - {1, 2, 3, 4}
    return raised[0] if raised else ""


def _seen_enough(daemon: Daemon, clock: ScaledClock) -> bool:
    """Whether the daemon looked at its device, and polled it for long enough."""
    if not daemon.board_address:
        return False
    (device,) = daemon.statistics().devices
    (trial,) = daemon._connections._first._trials.values()
    return (trial.look is not None and trial.begun is not None and device.polls >= _POLLS
            and clock.now() - trial.begun >= _RUN_FOR)


def doubts_in(output: str) -> list[str]:
    """Return the lines of the table that are suspect or not good."""
    return [line for line in output.splitlines() if line.startswith("controller  ")
            and ("suspect: " in line or " bad: " in line)]


@dataclass(frozen=True, kw_only=True)
class Result:
    """What ``check`` and the daemon said of a case."""

    case: Case
    checked: Sequence[str]
    """Lines of ``check`` that are suspect or bad."""
    ran: str
    """The alarm of the daemon."""

    def __str__(self) -> str:
        words = ["doubted" if x else "not doubted" for x in (self.checked, self.ran)]
        return f"{self.case.name:<52} {self.case.wrong:<40} {words[0]:<12} {words[1]}"


async def results(chosen: Sequence[Case], at_once: int = 2) -> list[Result]:
    """Try the cases, a few at a time."""
    turn = asyncio.Semaphore(at_once)

    async def one(case: Case) -> Result:
        async with turn:
            status, output = await output_of_check(case)
            lines = doubts_in(output)
            assert not lines or status == 1
            result = Result(case=case, checked=lines, ran=await alarm_of_run(case))
            print(result, flush=True)
            if bool(case.wrong) != bool(lines):
                print(output)
            if bool(case.wrong) != bool(result.ran):
                print(f"    {result.ran or 'no alarm'}")
            return result
    return list(await asyncio.gather(*(one(case) for case in chosen)))


async def _table(seeds: Sequence[int]) -> None:
    print(f"{'controller':<52} {'mistake':<40} {'check':<12} run")
    found = await results([*right_cases(seeds), *cases(seeds)])
    for title, some in (("right", [r for r in found if not r.case.wrong]),
                        ("wrong", [r for r in found if r.case.wrong])):
        print(f"{title} maps: {len(some)}; doubted by check {sum(bool(r.checked) for r in some)}, "
              f"by the daemon {sum(bool(r.ran) for r in some)}")


if __name__ == "__main__":
    quiet_logs()
    asyncio.run(_table([int(a) for a in sys.argv[1:]] or list(range(6))))
