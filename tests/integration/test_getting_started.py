"""The README's five commands for a site of one's own, and the site that a demo leaves."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import re
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pymodbus.simulator import DataType, SimData, SimDevice

from collector.config.profiles import BUNDLED
from tests.integration.support import get_json, modbus_server, until
from tests.notify.mailserver import free_port
from tests.wire import in_thread

ROOT = Path(__file__).resolve().parents[2]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}


def commands() -> list[list[str]]:
    """The commands of the README's section, without comments."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    block = re.search(r"## A site of your own\n.*?```sh\n(.*?)```", text, re.DOTALL)
    assert block is not None
    return [shlex.split(line, comments=True) for line in block[1].splitlines()]


def program(command: list[str]) -> list[str]:
    assert command[0] == ".venv/bin/quietpipe"
    return [sys.executable, "-m", "collector.cli", *command[1:]]


def run(command: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(program(command), cwd=folder, env=ENVIRONMENT, capture_output=True,
                          text=True, check=False)


def typed(command: list[str], folder: Path, answers: int) -> str:
    """Run a command on a terminal, type a password as often as it asks; return what it showed."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.chdir(folder)
        os.execvpe(sys.executable, program(command), ENVIRONMENT)
    shown = ""
    while True:
        try:
            shown += os.read(terminal, 1024).decode()
        except OSError:  # the far end closed the terminal
            break
        while answers and shown.count(": ") > 2 - answers:
            os.write(terminal, b"a long pass phrase of hers\n")
            answers -= 1
    _, status = os.waitpid(pid, 0)
    os.close(terminal)
    assert os.waitstatus_to_exitcode(status) == 0, shown
    return shown


def _device(unit: int, name: str) -> SimDevice:
    tables = json.loads((BUNDLED / f"{name}.image.json").read_text())["tables"]

    def block(table: str, kind: DataType) -> list[SimData]:
        cells = {int(a): v for a, v in tables.get(table, {}).items()}
        last = max(cells, default=0)
        values = [cells.get(a, 0) for a in range(last + 1)]
        bits = kind is DataType.BITS
        return [SimData(0, values=[bool(v) for v in values] if bits else values, datatype=kind)]
    return SimDevice(unit, simdata=(
        block("coils", DataType.BITS), block("discrete-inputs", DataType.BITS),
        block("holding-registers", DataType.REGISTERS),
        block("input-registers", DataType.REGISTERS)))


@pytest.fixture
def devices() -> Iterator[int]:
    """The port of the example's two devices, with the registers of their profiles' images."""
    both = _device(1, "example-generator"), _device(3, "example-riser")
    with in_thread(lambda: modbus_server(*both)) as port:
        yield port


def _status(port: int) -> Any:
    """Return the board's status, or ``None`` while it is not up."""
    with contextlib.suppress(OSError):
        return get_json(f"http://127.0.0.1:{port}/api/v1/status")
    return None


@pytest.mark.slow
def test_five_commands_from_the_example_to_a_running_board(
    tmp_path: Path, devices: int,
) -> None:
    copy, first, second, people, daemon = commands()
    site = tmp_path / copy[2]
    subprocess.run([copy[0], ROOT / copy[1], site], check=True)  # alone, in an empty folder

    checked = run(first, tmp_path)
    assert (checked.returncode, checked.stderr) == (0, "")

    port = free_port()
    text = site.read_text()
    for old, new in (("tcp://192.0.2.10:502", f"tcp://127.0.0.1:{devices}"),
                     ("rtu:/dev/ttyUSB0?baud=19200&parity=even",
                      f"tcp://127.0.0.1:{devices}"),
                     ("127.0.0.1:8600", f"127.0.0.1:{port}")):
        assert old in text
        text = text.replace(old, new)
    site.write_text(text)
    checked = run(second, tmp_path)
    assert checked.returncode == 0, checked.stdout
    assert re.search(r"gen1\.tank_pressure +02CB +71\.5 psi .*good", checked.stdout)

    typed(people, tmp_path, 2)

    running = subprocess.Popen(program(daemon), cwd=tmp_path, env=ENVIRONMENT,
                               stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        def value() -> float | None:
            return next((p["value"] for p in (_status(port) or {"points": []})["points"]
                         if p["point"] == "gen1.tank_pressure" and p["quality"] == "good"), None)
        assert until(value, within=30, what="a tank pressure on the board") == 71.5
    finally:
        running.send_signal(signal.SIGTERM)
        assert running.wait(20) == 0


@pytest.mark.slow
def test_the_site_that_a_demo_leaves_is_checked_replayed_and_run(tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    quietpipe = [".venv/bin/quietpipe"]
    demo = subprocess.Popen(program([*quietpipe, "demo", "--speed", "360", "--keep", str(kept)]),
                            env=ENVIRONMENT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
                            text=True)
    assert demo.stdout is not None
    assert demo.stdout.readline().startswith("board ")
    time.sleep(4)
    demo.send_signal(signal.SIGINT)
    demo.communicate(timeout=30)
    assert demo.returncode == 0
    assert {p.name for p in kept.glob("*.toml")} >= {"site.toml", "generator-a.toml"}
    assert (kept / "var" / "fenmoor" / "journal.sqlite").is_file()
    assert len((kept / "readings.csv").read_text().splitlines()) > 100

    site = str(kept / "site.toml")
    assert run([*quietpipe, "check", site, "--no-devices"], tmp_path).returncode == 0
    replayed = run([*quietpipe, "replay", site, str(kept / "readings.csv")], tmp_path)
    assert (replayed.returncode, replayed.stderr) == (0, "")

    again = run([*quietpipe, "demo", "--keep", str(kept)], tmp_path)
    assert again.returncode == 2
    assert "is not empty" in again.stderr

    port = free_port()
    with (kept / "site.toml").open("a") as out:
        out.write(f'\n[board]\nlisten = "127.0.0.1:{port}"\n')
    running = subprocess.Popen(program([*quietpipe, "run", site]), env=ENVIRONMENT,
                               stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until(lambda: _status(port), within=30, what="a board")
    finally:
        running.send_signal(signal.SIGTERM)
        assert running.wait(20) == 0
