"""The daemon as a process: start, reload, stop, a damaged journal, a disk without room."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import socket
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from collector.domain.events import AlarmTransition, SystemEvent
from collector.journal import Journal
from tests.integration.support import DaemonProcess, get_json, until
from tests.sources.peer import Peer
from tests.wire import in_thread, tcp_tap

PROFILE = """
[profile]
name = "One generator"
word_order = "high-first"
byte_order = "high-first"

[[points]]
quantity = "tank_pressure"
table = "input-registers"
address = 0
type = "int16"
scale = 0.1
unit = "psi"

[[points]]
quantity = "compressor_running"
table = "discrete-inputs"
address = 0
"""

SITE = """
[site]
id = "works"
name = "The works"
timezone = "Europe/London"
data = "data"

[board]
listen = "127.0.0.1:0"

[[generators]]
id = "gen1"
name = "{name}"

[[devices]]
id = "controller"
address = "tcp://127.0.0.1:{port}"
unit = 1
profile = "generator.toml"
every = "200 ms"
watches = "gen1"

[conditions.compressor-long-run]
limit = "{limit}"
on_delay = "0 s"
"""


@contextlib.asynccontextmanager
async def _controller() -> AsyncIterator[int]:
    """A controller whose compressor has been running since before anybody asked."""
    peer = Peer()
    peer.units[1].registers[0] = 705
    peer.units[1].inputs[0] = 1
    async with peer.tcp() as port, tcp_tap("127.0.0.1", port) as tapped:
        yield tapped


@pytest.fixture
def controller() -> Iterator[int]:
    with in_thread(_controller) as port:
        yield port


class Works:
    """A site in a folder, and the daemon that watches it."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder, self.port = folder, port
        self.site = folder / "site.toml"
        self.journal = folder / "data" / "journal.sqlite"
        self.processes: list[DaemonProcess] = []
        (folder / "generator.toml").write_text(PROFILE)
        self.write()

    def write(self, *, name: str = "Generator 1", limit: str = "30 min", more: str = "") -> None:
        self.site.write_text(SITE.format(name=name, port=self.port, limit=limit) + more)

    def launch(self, program: str = "") -> DaemonProcess:
        self.processes.append(DaemonProcess(self.site, program))
        return self.processes[-1]

    def start(self, program: str = "") -> DaemonProcess:
        daemon = self.launch(program)
        starts = len(self.processes)
        self.board = until(lambda: self._board(daemon, starts), within=20, what="the board")
        return daemon

    def _board(self, daemon: DaemonProcess, starts: int) -> str:
        """Return the address of the last of so many starts, once the log has it."""
        assert daemon.process.poll() is None, daemon.tail()
        found = re.findall(r"the board is at (http://[0-9.:]+)", daemon.log.read_text())
        return found[-1] if len(found) == starts else ""

    def close(self) -> None:
        for daemon in self.processes:
            daemon.kill()

    def status(self) -> dict[str, object]:
        return get_json(f"{self.board}/api/v1/status")

    def events(self) -> list[object]:
        with Journal.open(self.journal, read_only=True) as journal:
            return [s.event for s in journal.events()]

    def facts(self) -> list[str]:
        return [e.fact for e in self.events() if isinstance(e, SystemEvent)]

    def standing(self) -> list[str]:
        return [a["condition"] for a in get_json(f"{self.board}/api/v1/alarms")["alarms"]]


@pytest.fixture
def works(tmp_path, controller) -> Iterator[Works]:
    works = Works(tmp_path, controller)
    yield works
    works.close()


def test_it_starts_reads_and_stops_in_order(works):
    daemon = works.start()
    until(lambda: "gen1.tank_pressure" in json.dumps(works.status()), within=10, what="a reading")
    assert get_json(f"{works.board}/healthz")
    assert daemon.terminate() < 5
    with Journal.open(works.journal) as journal:
        last = {r.point: r.value for r in journal.last_readings()}
    assert last == {"gen1.tank_pressure": 70.5, "gen1.compressor_running": 1.0}
    assert works.facts()[0] == "collector-started"
    assert works.facts()[-1] == "collector-stopped"


def test_a_site_file_read_again_takes_effect_and_a_wrong_one_does_not(works):
    daemon = works.start()
    until(lambda: daemon.log.exists() and "gen1" in json.dumps(works.status()), within=10,
          what="a reading")
    works.write(limit="thirty")
    daemon.process.send_signal(signal.SIGHUP)
    until(lambda: "site-file-refused" in works.facts(), within=10, what="the refusal")
    assert "conditions.compressor-long-run.limit" in daemon.log.read_text()
    assert works.standing() == []

    # The compressor has been seen running for some seconds: a limit below that holds at once.
    works.write(limit="1 s", name="Generator one")
    daemon.process.send_signal(signal.SIGHUP)
    until(lambda: works.standing() == ["compressor-long-run"], within=10, what="the new limit")
    assert "Generator one" in json.dumps(get_json(f"{works.board}/api/v1/alarms"))
    daemon.terminate()


def test_a_run_keeps_its_start_over_a_restart_and_is_raised_once(works):
    works.write(limit="6 s")
    began = time.time()
    works.start().terminate()
    assert not [e for e in works.events() if isinstance(e, AlarmTransition)]
    daemon = works.start()
    until(lambda: works.standing() == ["compressor-long-run"], within=20, what="the alarm")
    waited = time.time() - began
    daemon.terminate()
    works.start().terminate()
    raised = [e for e in works.events() if isinstance(e, AlarmTransition)]
    assert [(e.condition, e.transition) for e in raised] == [("compressor-long-run", "raised")]
    # Counted from the first sample of the first process, not of the second.
    assert raised[0].values["run_minutes"] * 60 > 5.9
    assert raised[0].since / 1000 - began < waited


def test_a_damaged_journal_is_moved_aside_and_the_watch_goes_on(works):
    works.start().terminate()
    data = bytearray(works.journal.read_bytes())
    data[: len(data) // 2] = os.urandom(len(data) // 2)
    works.journal.write_bytes(data)
    daemon = works.start()
    until(lambda: "gen1.tank_pressure" in json.dumps(works.status()), within=10, what="a reading")
    daemon.terminate()
    assert works.facts()[0] == "journal-replaced"
    aside = list(works.journal.parent.glob("journal.sqlite.damaged-*"))
    assert [p.read_bytes()[:100] for p in aside if p.suffix != ".lock"][0] == bytes(data[:100])


def test_a_port_in_use_is_said_in_a_sentence(works):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        works.site.write_text(works.site.read_text().replace(
            'listen = "127.0.0.1:0"', f'listen = "127.0.0.1:{port}"'))
        daemon = works.launch()
        assert daemon.process.wait(20) == 1
    assert f"the board cannot listen on 127.0.0.1:{port}" in daemon.tail()
    assert "Traceback" not in daemon.tail()


def test_two_daemons_do_not_share_a_journal(works):
    daemon = works.start()
    second = works.launch()
    assert second.process.wait(20) == 1
    assert "in use" in second.tail()
    daemon.terminate()


def test_a_disk_without_room_loses_nothing_that_fits_in_memory(works):
    daemon = works.start()
    until(lambda: "gen1.tank_pressure" in json.dumps(works.status()), within=10, what="a reading")
    # A bound on file size is the nearest thing to a full disk that needs no mount.
    import resource
    size = works.journal.with_name("journal.sqlite-wal").stat().st_size
    resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))
    until(lambda: get_json(f"{works.board}/healthz").get("alive") is False, within=20,
          what="ill health")
    time.sleep(2)
    resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE,
                     (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    until(lambda: get_json(f"{works.board}/healthz").get("alive") is True, within=20,
          what="health again")
    daemon.terminate()
    with Journal.open(works.journal) as journal:
        times = [r.time for r in journal.readings(["gen1.tank_pressure"], None, None)]
    gaps = [b - a for a, b in zip(times, times[1:], strict=False)]
    assert max(gaps) < 1500, "readings of the time without room are missing"
