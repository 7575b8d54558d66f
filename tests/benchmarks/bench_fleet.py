"""Many sites through one real mosquitto into two hub processes, one of which is killed.

    python -m tests.benchmarks.bench_fleet --sites 2000

Every site is a connection of its own with its own client id and will, all held by this process;
what it publishes is made by the edge node's own code (births, data, deaths) and by hand (events,
marks). No TLS here: it is the broker's work and would be this process's too. Exit status 1 when an
event is missing or double, or a silent site is not named within a minute.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import getpass
import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import urlopen

from collector.clock import SystemClock
from collector.fleet.hub_store import group_file
from tests.fleet.light import LightClient, connected
from tests.fleet.support import FakeSite, event_message, fact, mark
from tests.forward.sparkplug.broker import MOSQUITTO, free_port, wait_for_port

ROOT = Path(__file__).resolve().parents[2]
CLOCK = SystemClock()


@dataclass
class Publisher:
    """One simulated site."""

    group: str
    site: FakeSite
    client: LightClient | None = None
    seq: int = 0
    mute: bool = False
    silent_since: float = 0.0

    @property
    def prefix(self) -> str:
        return f"quietpipe/{self.group}"

    async def connect(self, port: int) -> None:
        now = CLOCK.now()
        self.client = await connected(port, f"{self.group}-{self.site.site}",
                                      self.site.node.death(now))
        for message in self.site.births(now):
            self.client.publish(message)

    def data(self, value: float) -> None:
        if self.client is not None and not self.client.gone:
            self.client.publish(self.site.data(CLOCK.now(), value))

    def event(self) -> None:
        if self.client is not None and not self.client.gone:
            self.seq += 1
            self.client.publish(event_message(fact(self.site.site, f"{self.seq}", CLOCK.now()),
                                              self.seq, prefix=self.prefix))

    def mark(self) -> None:
        if self.client is not None and not self.client.gone:
            self.client.publish(mark(self.site.site, self.prefix))


@dataclass
class Outcome:
    """What was measured."""

    sites: int
    published: int = 0
    steady_rate: float = 0.0
    burst_rate: float = 0.0
    taken_over: float = 0.0
    slowest_named: float = 0.0
    unnamed: int = 0
    falsely_named: int = 0
    events: int = 0
    missing: int = 0
    double: int = 0
    usage: dict[str, str] = field(default_factory=dict)

    @property
    def right(self) -> bool:
        return not (self.missing or self.double or self.unnamed or self.falsely_named) \
            and self.slowest_named <= 60


class Usage:
    """Processor time and memory of a process, from /proc."""

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self._at, self._used = time.monotonic(), self._seconds()

    def _seconds(self) -> float:
        parts = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(parts[11]) + int(parts[12])) / os.sysconf("SC_CLK_TCK")

    def share(self) -> float:
        """Return processor time per second since the last call, 1 for one core."""
        now, used = time.monotonic(), self._seconds()
        share = (used - self._used) / max(now - self._at, 1e-9)
        self._at, self._used = now, used
        return share

    def memory(self) -> float:
        """Return resident memory in MB."""
        text = Path(f"/proc/{self.pid}/status").read_text()
        return int(text.partition("VmRSS:")[2].split()[0]) / 1024


class Fleet:
    """Broker, hubs and sites."""

    def __init__(self, folder: Path, sites: int, groups: int, silent_after: int) -> None:
        self.folder, self.data = folder, folder / "hub"
        self.port = free_port()
        self.groups = [f"g{n}" for n in range(groups)]
        self.sites = [Publisher(self.groups[n % groups], FakeSite(f"s{n}", self.groups[n % groups]))
                      for n in range(sites)]
        self._silent_after = silent_after
        self.processes: dict[str, subprocess.Popen[str]] = {}
        self.addresses: dict[str, str] = {}

    def start(self) -> None:
        conf = self.folder / "mosquitto.conf"
        conf.write_text(
            f"user {getpass.getuser()}\nlistener {self.port} 127.0.0.1\nallow_anonymous true\n"
            "max_inflight_messages 1000\nmax_queued_messages 0\nqueue_qos0_messages true\n"
            f"log_dest file {self.folder / 'log'}\nlog_type error\nset_tcp_nodelay true\n")
        broker = subprocess.Popen([MOSQUITTO, "-c", str(conf)], text=True,
                                  stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        self.processes["broker"] = broker
        wait_for_port(self.port, broker)  # type: ignore[arg-type]
        (self.folder / "hub.toml").write_text(
            f'[hub]\ndata = "hub"\nlisten = "127.0.0.1:0"\n'
            f'silent_after = "{self._silent_after} s"\n'
            f'[mqtt]\nbroker = "mqtt://127.0.0.1:{self.port}"\n'
            + "".join(f'[[groups]]\nid = "{g}"\nevents_prefix = "quietpipe/{g}"\n'
                      for g in self.groups))
        for name in ("one", "two"):
            with (self.folder / f"{name}.log").open("wb") as log:
                self.processes[name] = subprocess.Popen(
                    [sys.executable, "-m", "collector.cli", "hub", str(self.folder / "hub.toml"),
                     "--id", name], stdout=subprocess.PIPE, stderr=log, text=True,
                    env={**os.environ, "PYTHONPATH": str(ROOT)})
        for name in ("one", "two"):
            out = self.processes[name].stdout
            assert out is not None
            self.addresses[name] = out.readline().strip()

    def stop(self) -> None:
        for process in reversed(list(self.processes.values())):
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
        for process in self.processes.values():
            try:
                process.wait(15)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            if process.stdout is not None:
                process.stdout.close()

    def rows(self, query: str) -> list[tuple[object, ...]]:
        """Ask every group's file."""
        found: list[tuple[object, ...]] = []
        for group in self.groups:
            path = group_file(self.data, group)
            if path.exists():
                with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True,
                                             timeout=10)) as db:
                    found += db.execute(query).fetchall()
        return found

    def kept(self) -> int:
        return sum(int(str(n)) for (n,) in self.rows(
            "SELECT count(*) FROM events WHERE journal != 'hub'"))

    def named(self) -> set[str]:
        """Return the sites that are called silent now."""
        return {str(s) for (s,) in self.rows(
            "SELECT site FROM alarms WHERE stands AND id LIKE 'site-silent.%'")}


async def until(check: Callable[[], bool], within: float, what: str) -> float:
    """Wait; return the seconds it took."""
    began = time.monotonic()
    while not await asyncio.to_thread(check):
        if time.monotonic() - began > within:
            raise AssertionError(f"not within {within:g} s: {what}")
        await asyncio.sleep(0.1)
    return time.monotonic() - began


async def steady(sites: Sequence[Publisher], seconds: float, every: float) -> int:
    """Let every site tell data and a mark each ``every`` s, an event each second time."""
    rng, sent = random.Random(1), 0
    end = time.monotonic() + seconds
    order = list(sites)
    rng.shuffle(order)
    step = every / len(order)
    due, turn = time.monotonic(), 0
    while time.monotonic() < end:
        one = order[turn % len(order)]
        if not one.mute:
            one.data(rng.uniform(60, 80))
            one.mark()
            sent += 2
            if turn // len(order) % 2 == 0:
                one.event()
                sent += 1
        turn += 1
        due += step
        if due > time.monotonic():
            await asyncio.sleep(due - time.monotonic())
        elif turn % 50 == 0:
            await asyncio.sleep(0)
    return sent


async def play(fleet: Fleet, seconds: float, every: float, quiet: int) -> Outcome:
    """Births, a steady fleet, a killed hub, a burst, silent sites; then count."""
    made = Outcome(sites=len(fleet.sites))
    meters = {name: Usage(p.pid) for name, p in fleet.processes.items()}
    for start in range(0, len(fleet.sites), 100):
        await asyncio.gather(*(s.connect(fleet.port) for s in fleet.sites[start:start + 100]))
    await until(lambda: len(fleet.rows("SELECT 1 FROM sites")) == len(fleet.sites), 60, "births")
    for meter in meters.values():
        meter.share()
    began = time.monotonic()
    sent = await steady(fleet.sites, seconds, every)
    made.steady_rate = sent / (time.monotonic() - began)
    made.usage["broker, steady"] = _used(meters["broker"])
    made.usage["hub one, steady"] = _used(meters["one"])
    made.usage["hub two, steady"] = _used(meters["two"])
    await _kill_one(fleet, made, seconds, every)
    await _burst(fleet, made, meters["two"])
    made.usage["hub two, all groups, burst"] = _used(meters["two"])
    await _silence(fleet, made, quiet, every)
    _count(fleet, made)
    return made


def _used(meter: Usage) -> str:
    return f"{100 * meter.share():5.1f} % of a core, {meter.memory():6.1f} MB"


async def _kill_one(fleet: Fleet, made: Outcome, seconds: float, every: float) -> None:
    publishing = asyncio.create_task(steady(fleet.sites, seconds, every))
    await asyncio.sleep(seconds / 3)
    fleet.processes["one"].kill()
    fleet.processes["one"].wait()
    killed = time.monotonic()

    def taken_over() -> bool:
        try:
            with urlopen(f"{fleet.addresses['two']}/healthz", timeout=5) as answer:
                alive = answer.status == 200
        except HTTPError as error:
            error.close()
            alive = False
        log = (fleet.folder / "two.log").read_text()
        return alive and all(f"group {g} is served here" in log for g in fleet.groups)

    await until(taken_over, 60, "the groups of the killed hub")
    made.taken_over = time.monotonic() - killed
    await publishing
    await until(lambda: fleet.kept() == sum(s.seq for s in fleet.sites), 60, "every event")


async def _burst(fleet: Fleet, made: Outcome, meter: Usage) -> None:
    """Let a queue gather at the broker while the hub stands still; time how the hub takes it.

    Were it not held, this process, which makes the messages on the same cores, would be timed.
    """
    hub = fleet.processes["two"]
    hub.send_signal(signal.SIGSTOP)
    sent = 0
    for _ in range(4):
        for n, site in enumerate(fleet.sites):
            site.data(70.0)
            site.event()
            sent += 2
            if n % 100 == 0:
                await asyncio.sleep(0)
    await until(lambda: not any(s.client and s.client.unacknowledged for s in fleet.sites), 20,
                "the broker to take it all")
    hub.send_signal(signal.SIGCONT)
    meter.share()
    began = time.monotonic()
    await until(lambda: fleet.kept() == sum(s.seq for s in fleet.sites), 300, "the burst")
    made.burst_rate = sent / (time.monotonic() - began)


async def _silence(fleet: Fleet, made: Outcome, quiet: int, every: float) -> None:
    """Some sites are cut off, some say nothing more; each must be named within a minute."""
    cut, mute = fleet.sites[:quiet], fleet.sites[quiet:2 * quiet]
    for site in fleet.sites:
        site.mark()
    await asyncio.sleep(1)
    now = time.monotonic()
    for site in cut:
        assert site.client is not None
        site.client.cut()
    for site in mute:
        site.mute = True
    for site in (*cut, *mute):
        site.silent_since = now
    publishing = asyncio.create_task(steady(fleet.sites[2 * quiet:], 75, every))
    wanted = {s.site.site for s in (*cut, *mute)}
    with contextlib.suppress(AssertionError):  # what is not named then is counted below
        await until(lambda: wanted <= fleet.named(), 70, "the silent sites")
    made.slowest_named = time.monotonic() - now
    named = await asyncio.to_thread(fleet.named)
    made.unnamed, made.falsely_named = len(wanted - named), len(named - wanted)
    publishing.cancel()
    await asyncio.gather(publishing, return_exceptions=True)
    await until(lambda: fleet.kept() >= sum(s.seq for s in fleet.sites), 60, "the last events")


def _count(fleet: Fleet, made: Outcome) -> None:
    rows = Counter((str(site), int(str(seq))) for site, seq in fleet.rows(
        "SELECT site, seq FROM events WHERE journal != 'hub'"))
    wanted = {(s.site.site, n) for s in fleet.sites for n in range(1, s.seq + 1)}
    made.events = len(wanted)
    made.missing = len(wanted - rows.keys())
    made.double = sum(n - 1 for n in rows.values()) + len(rows.keys() - wanted)


async def run(folder: Path, *, sites: int, seconds: float, every: float, quiet: int,
              groups: int = 4, silent_after: int = 40) -> Outcome:
    """Run it all; everything that was started is stopped."""
    fleet = Fleet(folder, sites, groups, silent_after)
    await asyncio.to_thread(fleet.start)
    try:
        return await play(fleet, seconds, every, quiet)
    finally:
        for site in fleet.sites:
            if site.client is not None:
                site.client.cut()
        await asyncio.to_thread(fleet.stop)


def show(made: Outcome) -> None:
    """Print what was measured."""
    print(f"sites                      {made.sites}")
    print(f"steady                     {made.steady_rate:.0f} messages/s into both hubs")
    for who, used in made.usage.items():
        print(f"{who:26} {used}")
    print(f"a queue taken by one hub   {made.burst_rate:.0f} messages/s, half of them events")
    print(f"a killed hub's groups      taken over after {made.taken_over:.1f} s")
    print(f"silent sites               the last named after {made.slowest_named:.1f} s, "
          f"{made.unnamed} not named, {made.falsely_named} named wrongly")
    print(f"events                     {made.events} sent, {made.missing} missing, "
          f"{made.double} double")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])  # type: ignore[union-attr]
    parser.add_argument("--sites", type=int, default=2000)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--every", type=float, default=10.0, help="s between two turns of a site")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="quietpipe-fleet-") as folder:
        made = asyncio.run(run(Path(folder), sites=options.sites, seconds=options.seconds,
                               every=options.every, quiet=max(options.sites // 100, 2)))
    show(made)
    return 0 if made.right else 1


if __name__ == "__main__":
    sys.exit(main())
