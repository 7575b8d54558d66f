"""Monitor a site: poll its devices, evaluate, journal, notify people, serve the board."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import logging
import os
import secrets
import signal
import sys
import tempfile
import threading
from collections.abc import Coroutine, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, TextIO

from collector.clock import ScaledClock, SystemClock, format_instant
from collector.config import load_site
from collector.daemon import Daemon
from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.conditions import CAUTIONS
from collector.domain.errors import ActionRefused, QuietpipeError, UsageError
from collector.domain.events import INSTANT_UNIT, AlarmTransition, EstimateMade, Event, SystemEvent
from collector.domain.live import AlarmState
from collector.journal.store import Journal
from collector.logs import configure_logs
from collector.people import Role
from collector.recorded import write_csv


def run_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, metavar="SITE.toml", help="the site file")
    parser.add_argument("--log-level", default="info",
                        choices=["debug", "info", "warning", "error"], help="default: info")


def run_run(options: argparse.Namespace) -> int:
    """Monitor a site: poll its devices, evaluate, journal, notify people, serve the board.

    Runs until SIGTERM or Ctrl-C, and then stops within five seconds with nothing lost. SIGHUP reads
    the site file again; one with mistakes is refused, with each of them in the log, and the old one
    stays.

    For maintenance monitoring only; it only reads. It is not a fire-alarm system and replaces none.

    Example:
      quietpipe check fenmoor.toml
      quietpipe run fenmoor.toml

    """
    configure_logs(level=options.log_level)
    for text in CAUTIONS.values():
        print(text, file=sys.stderr)
    return _run_without_waiting(_run(options.site))


class _Threads(ThreadPoolExecutor):
    """Threads that a stop does not wait for, such as one that asks a name server without answer."""

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Start no further call; return at once."""
        super().shutdown(wait=False, cancel_futures=True)


def _run_without_waiting(work: Coroutine[Any, Any, int]) -> int:
    """Run until the end of ``work``, and leave threads behind that are still busy then.

    All that is to be kept is on the disk by the end of ``work``.
    """
    async def main() -> int:
        asyncio.get_running_loop().set_default_executor(_Threads())
        return await work

    status = asyncio.run(main())
    if any(not t.daemon for t in threading.enumerate() if t is not threading.main_thread()):
        logging.shutdown()
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)
    return status


async def _run(site: Path) -> int:
    daemon = Daemon(site, clock=SystemClock())
    stop_on_signals(daemon)
    asyncio.get_running_loop().add_signal_handler(signal.SIGHUP, daemon.reload_soon)
    await daemon.run()
    return 0


def stop_on_signals(daemon: Daemon) -> None:
    """Let SIGTERM and SIGINT stop ``daemon`` in order."""
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, daemon.stop)


def quiet_logs() -> None:
    """Keep the log to warnings: for commands that print events themselves."""
    configure_logs(level="warning")


_WHO = "demo"
"""The account of the demo; its password is new each time."""
_HEAD = """\
# Kept by "quietpipe demo --keep". Its plant is a program, which serves it again and writes this
# file with the new addresses: python -m simulators {scenario} --write-site {folder}

"""


def demo_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--scenario", default="demo", metavar="NAME",
                        help="a bundled scenario, or the path of one (default: demo)")
    parser.add_argument("--speed", type=float, metavar="X",
                        help="how many times as fast as real time (default: the scenario's own)")
    parser.add_argument("--listen", default="127.0.0.1:0", metavar="HOST:PORT",
                        help="where the board listens (default: any free port on loopback)")
    parser.add_argument("--keep", type=Path, metavar="FOLDER",
                        help="leave the site there: its file, profiles, journal and readings.csv")


def run_demo(options: argparse.Namespace) -> int:
    """Start the bundled plant, the monitor and its board, with time sped up.

    The plant is served on real Modbus TCP on loopback by a process of its own; the monitor that
    reads it is the one that ``quietpipe run`` starts. One line per event is printed. Ctrl-C ends
    both and leaves nothing behind, or with --keep the site: site file, profiles, journal and
    readings.

    Example:
      quietpipe demo
      quietpipe demo --keep my-site
      quietpipe demo --speed 120 --listen 127.0.0.1:8600

    """
    _host_and_port(options.listen)  # a wrong address must not wait for the plant to start
    if options.keep is not None:
        return _kept(options, options.keep)
    with tempfile.TemporaryDirectory(prefix="quietpipe-demo-") as folder:
        return asyncio.run(_demo(options, Path(folder)))


def _kept(options: argparse.Namespace, folder: Path) -> int:
    """Run the demo in ``folder``, which must be empty, and leave the site there."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        used = any(folder.iterdir())
    except OSError as error:
        raise UsageError(f"{folder} cannot be used: {error.strerror}") from error
    if used:
        raise UsageError(f"{folder} is not empty; name a new folder")
    status = asyncio.run(_demo(options, folder))
    site = folder / "site.toml"
    site.write_text(_HEAD.format(folder=folder, scenario=options.scenario)
                    + site.read_text(encoding="utf-8"), encoding="utf-8")
    journal = Journal.open(load_site(site).data / "journal.sqlite", read_only=True)
    try:
        with (folder / "readings.csv").open("w", encoding="utf-8") as out:
            write_csv(journal.readings(None, None, None), out)
    finally:
        journal.close()
    print(f"kept in {folder}: site.toml, its profiles, the journal, readings.csv", file=sys.stderr)
    return status


async def _demo(options: argparse.Namespace, folder: Path) -> int:
    for name in ("not-a-fire-alarm", "oxygen", "only-reads"):
        print(CAUTIONS[name], file=sys.stderr)
    plant = await _start_plant(options, folder)
    try:
        ready = await _ready(plant)
        return await _run_daemon(options, Path(ready["site"]), ready)
    finally:
        await _end(plant)


async def _start_plant(options: argparse.Namespace, folder: Path) -> asyncio.subprocess.Process:
    arguments = [options.scenario, "--write-site", str(folder), "--until-stdin-closes"]
    if options.speed is not None:
        arguments += ["--speed", str(options.speed)]
    # A process of its own: the wire is real, and the daemon knows only what it reads.
    return await asyncio.create_subprocess_exec(
        sys.executable, "-m", "simulators", *arguments,
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
        # Ctrl-C reaches the whole terminal group; the plant must outlive the daemon's last poll.
        start_new_session=True,
    )


async def _ready(plant: asyncio.subprocess.Process) -> Mapping[str, Any]:
    assert plant.stdout is not None
    line = await plant.stdout.readline()
    if not line:
        raise QuietpipeError(f"the bundled plant did not start (exit status {await plant.wait()})")
    ready: Mapping[str, Any] = json.loads(line)
    return ready


async def _end(plant: asyncio.subprocess.Process) -> None:
    if plant.stdin is not None:
        plant.stdin.close()
    with contextlib.suppress(ProcessLookupError):
        plant.terminate()
    try:
        await asyncio.wait_for(plant.wait(), 3)
    except TimeoutError:
        plant.kill()
        await plant.wait()


async def _run_daemon(options: argparse.Namespace, site: Path, ready: Mapping[str, Any]) -> int:
    clock = ScaledClock(
        origin=ready["origin"], speed=ready["speed"], started=ready["started"]
    )
    quiet_logs()
    daemon = Daemon(
        site, clock=clock, on_event=_printer(sys.stdout), listen=_host_and_port(options.listen),
    )
    password = secrets.token_urlsafe(12)
    daemon.add_person(_WHO, Role.MANAGE, password)
    stop_on_signals(daemon)
    people = asyncio.create_task(_people(daemon, ready.get("people", ())))
    try:
        await daemon.run(on_ready=lambda: _welcome(daemon, clock, password))
    finally:
        people.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await people
    return 0


def _host_and_port(text: str) -> tuple[str, int]:
    host, colon, port = text.rpartition(":")
    if not colon or not port.isdigit():
        raise UsageError(f"not an address: {text!r}; expected such as 127.0.0.1:8600")
    return host.strip("[]"), int(port)


def _welcome(daemon: Daemon, clock: ScaledClock, password: str) -> None:
    print(f"board  {daemon.board_address}", flush=True)
    print(f"sign in  {_WHO}, password {password}   (to acknowledge and the like; ends with this "
          "demo)", flush=True)
    print(f"time   {format_instant(clock.now())}, {clock.speed:g} times as fast as real time; "
          "Ctrl-C ends it", flush=True)


def _printer(out: TextIO) -> Any:
    def show(event: Event) -> None:
        time = format_instant(event.time)
        match event:
            case AlarmTransition():
                who = f" by {event.by}" if event.by else ""
                head = f"{time}  {event.transition.value:<13}{event.condition}  {event.asset}{who}"
                line = f"{head}  {event.text}" if event.transition == "raised" else head
            case EstimateMade(value=None):
                line = f"{time}  estimate     {event.quantity}  {event.asset}  none: {event.reason}"
            case EstimateMade(value=float() | int() as value):
                figure = format_instant(round(value * 1000)) if event.unit == INSTANT_UNIT \
                    else f"{value:.4g} {event.unit}"
                line = f"{time}  estimate     {event.quantity}  {event.asset}  {figure}"
            case SystemEvent():
                line = f"{time}  {event.fact}  {event.text}"
        print(" ".join(line.splitlines()), file=out, flush=True)
    return show


async def _people(daemon: Daemon, people: Sequence[Mapping[str, Any]]) -> None:
    """Carry out the scenario's acknowledgements, each when active and due."""
    waiting = list(people)
    while waiting:
        await daemon.clock.sleep(10_000)
        now = daemon.clock.now()
        for person in [p for p in waiting if p["at"] <= now]:
            if await _acknowledge(daemon, person, now):
                waiting.remove(person)


async def _acknowledge(daemon: Daemon, person: Mapping[str, Any], now: int) -> bool:
    for alarm in daemon.alarms():
        if f"{alarm.condition}.{alarm.asset}" == person["acknowledges"] \
                and alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED):
            with contextlib.suppress(ActionRefused):  # it moved while we looked: nothing to do
                await daemon.act(OperatorAction(
                    kind=ActionKind.ACKNOWLEDGE, alarm=alarm.id, time=now, by=person["by"],
                ))
            return True
    return False
