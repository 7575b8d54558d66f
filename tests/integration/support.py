"""Whole processes under test: the daemon as a person starts it, and the far ends it talks to."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AbstractAsyncContextManager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, TypeVar

from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import SimDevice

from tests.servers import served

T = TypeVar("T")

PATIENCE = 3
"""How often longer a busy machine may take than is usual; a test that passes waits no longer."""


def until(condition: Callable[[], T], *, within: float, what: str) -> T:
    """Return the first true answer of ``condition``; fail when none came in ``within`` seconds."""
    end = time.monotonic() + within * PATIENCE
    while True:
        if answer := condition():
            return answer
        if time.monotonic() > end:
            raise AssertionError(f"not within {within * PATIENCE:g} s: {what}")
        time.sleep(0.02)


class DaemonProcess:
    """``quietpipe run`` in a process of its own."""

    def __init__(self, site: Path, program: str = "") -> None:
        self.log = site.with_suffix(".log")
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, *(("-c", program) if program else ("-m", "collector.cli")),
                 "run", str(site)],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log,
                env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[2])},
            )

    def kill(self) -> None:
        """End it as a power cut would."""
        self.process.kill()
        self.process.wait()

    def terminate(self, within: float = 5.0) -> float:
        """Ask it to stop; return the seconds it took. It must end with status 0."""
        began = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        try:
            status = self.process.wait(within)
        except subprocess.TimeoutExpired:
            self.kill()
            raise AssertionError(f"not stopped within {within:g} s; {self.tail()}") from None
        assert status == 0, self.tail()
        return time.monotonic() - began

    def tail(self) -> str:
        return self.log.read_text(errors="replace")[-3000:]


def get_json(address: str) -> Any:
    try:
        with urllib.request.urlopen(address, timeout=5) as answer:
            return json.load(answer)
    except urllib.error.HTTPError as error:
        with error:
            return json.load(error)


class Hook:
    """A web hook's far end: keeps each event it was sent."""

    def __init__(self, delay: float = 0.0) -> None:
        self.received: list[dict[str, Any]] = []
        hook = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                hook.received.append(json.loads(body))
                time.sleep(delay)
                with contextlib.suppress(OSError):
                    self.send_response(204)
                    self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        self.address = f"http://127.0.0.1:{self.server.server_port}/events"


@contextlib.contextmanager
def hook(delay: float = 0.0) -> Iterator[Hook]:
    """Serve a web hook on a free port."""
    far = Hook(delay)
    with served(far.server):
        yield far


@contextlib.asynccontextmanager
async def beside(work: Callable[[], Any]) -> AsyncIterator[None]:
    """Run a coroutine function beside the body and cancel it at the end."""
    task = asyncio.ensure_future(work())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@contextlib.asynccontextmanager
async def modbus_server(*devices: SimDevice) -> AsyncIterator[int]:
    """Serve simulated devices on a free port, also within :func:`tests.wire.in_thread`."""
    server = ModbusTcpServer(list(devices), address=("127.0.0.1", 0))
    await server.listen()
    try:
        yield server.transport.sockets[0].getsockname()[1]
    finally:
        await server.shutdown()


Manager = AbstractAsyncContextManager
