"""Serve or record the bundled plant.

Example:
  python -m simulators demo --speed 60 --write-site /tmp/plant
  python -m simulators quiet-depot --record readings.csv --for "30 d"
  python -m simulators draw 7 --days 7 --fault leak-high --to /tmp/plant

"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import dataclasses
import os
import signal
import sys
from collections.abc import Sequence
from pathlib import Path

from collector.clock import ScaledClock, SystemClock
from simulators.record import record_to
from simulators.scenario import Scenario, bundled, load_scenario
from simulators.serving import Serving, cancel, ready_line, write_site
from simulators.stage import Stage
from simulators.units import ScenarioError, parse

__all__ = ["main"]


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m simulators", description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog="bundled scenarios: " + ", ".join(bundled()))
    add = parser.add_argument
    add("scenario", metavar="SCENARIO", help="a bundled scenario, or the path of a scenario file")
    add("--speed", type=float, metavar="X", help="how many times as fast as real time")
    add("--seed", type=int, metavar="N", help="another seed for noise and weather")
    add("--write-site", type=Path, metavar="DIR", help="write the site file and profiles there")
    add("--record", type=Path, metavar="CSV", help="write recorded readings instead of serving")
    add("--for", dest="length", metavar="TIME",
        help='how much to record, or to serve, of the plant\'s time, such as "30 d"')
    add("--every", default="15 s", metavar="TIME", help="interval of recorded readings")
    add("--until-stdin-closes", action="store_true",
        help="end when the process that started this ends")
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; return the exit status."""
    given = sys.argv[1:] if arguments is None else list(arguments)
    if given[:1] == ["draw"]:
        from simulators.family.folder import main as draw_main  # numpy: the served plant needs none
        return draw_main(given[1:])
    options = _parser().parse_args(given)
    try:
        scenario = load_scenario(options.scenario, seed=options.seed, speed=options.speed)
        if scenario.speed <= 0:
            raise ScenarioError(f"--speed must be above 0, not {scenario.speed:g}")
        if options.length is not None:
            scenario = dataclasses.replace(
                scenario, duration=round(parse(options.length, "duration") * 1000))
        if options.record is not None:
            return _record(scenario, options)
        return asyncio.run(_serve(scenario, options))
    except (ScenarioError, OSError) as error:
        print(f"simulators: {error}", file=sys.stderr)
        return 2


def _record(scenario: Scenario, options: argparse.Namespace) -> int:
    every = round(parse(options.every, "duration") * 1000)
    if every <= 0:
        raise ScenarioError("--every must be above 0")
    count = record_to(scenario, options.record, duration=scenario.duration, every=every)
    print(f"{count} readings", file=sys.stderr)
    return 0


async def _serve(scenario: Scenario, options: argparse.Namespace) -> int:
    started = SystemClock().now()
    clock = ScaledClock(origin=scenario.plant.start, speed=scenario.speed, started=started)
    stage = Stage(scenario, log=lambda line: print(line, file=sys.stderr, flush=True))
    serving = Serving(stage, clock)
    ended = _ending(options.until_stdin_closes)
    await serving.open()
    pace = asyncio.create_task(serving.keep_up(max(round(250 * scenario.speed), 1000)))
    try:
        site = None
        if options.write_site is not None:
            site = write_site(scenario, serving.addresses, options.write_site)
        print(ready_line(scenario, serving.addresses, started=started, site=site), flush=True)
        return await _until_done(ended, pace, scenario.duration if options.length else None, clock)
    finally:
        await cancel(pace)
        await serving.close()


async def _until_done(ended: asyncio.Event, pace: asyncio.Task[None], length: int | None,
                      clock: ScaledClock) -> int:
    """Wait for a signal, the end of stdin, the end of the time, or an error."""
    waits: set[asyncio.Task[object]] = {asyncio.create_task(ended.wait()), pace}
    if length is not None:
        waits.add(asyncio.create_task(clock.sleep(length)))
    done, rest = await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
    for task in rest:
        task.cancel()
    for task in done:
        task.result()
    return 0


def _ending(follow_stdin: bool) -> asyncio.Event:
    loop = asyncio.get_running_loop()
    ended = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, ended.set)
    if follow_stdin:
        def gone() -> None:
            with contextlib.suppress(BlockingIOError):
                if not os.read(sys.stdin.fileno(), 4096):
                    loop.remove_reader(sys.stdin.fileno())
                    ended.set()
        try:
            loop.add_reader(sys.stdin.fileno(), gone)
        except (PermissionError, ValueError, OSError):
            ended.set()  # a file or /dev/null: no process holds the other end
    return ended


if __name__ == "__main__":
    sys.exit(main())
