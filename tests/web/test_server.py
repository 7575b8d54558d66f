"""The server itself: a real port, no hold on signals, a clean end."""

from __future__ import annotations

import asyncio
import signal
import socket
import subprocess
import sys

import httpx
import pytest

from collector.domain.errors import QuietpipeError
from collector.web import create_app, serve
from tests.web.fakes import FakeSite


async def _started(site: FakeSite) -> tuple[asyncio.Task[None], str]:
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    running = asyncio.create_task(
        serve(create_app(site.services()), "127.0.0.1", 0, ready.set_result))
    return running, await asyncio.wait_for(ready, 5)


async def test_port_zero_reports_the_real_one_and_the_end_frees_it(site: FakeSite) -> None:
    before = signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)
    running, address = await _started(site)
    assert (signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)) == before
    port = int(address.rpartition(":")[2])
    assert port > 0
    async with httpx.AsyncClient() as client:
        answer = await client.get(f"{address}/healthz")
    assert answer.status_code == 200
    assert "server" not in answer.headers
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asyncio.wait_for(running, 3)
    with socket.socket() as again:
        again.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        again.bind(("127.0.0.1", port))


async def test_it_ends_with_a_client_that_stays_connected(site: FakeSite) -> None:
    running, address = await _started(site)
    async with httpx.AsyncClient() as client:
        await client.get(f"{address}/healthz")
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await asyncio.wait_for(running, 4)


async def test_a_port_in_use_is_said_plainly(site: FakeSite) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(QuietpipeError, match=f"cannot listen on 127.0.0.1:{port}"):
            await serve(create_app(site.services()), "127.0.0.1", port)


async def test_a_host_that_is_none_is_said_plainly(site: FakeSite) -> None:
    with pytest.raises(QuietpipeError, match="cannot listen"):
        await serve(create_app(site.services()), "256.1.1.1.invalid", 0)


def test_the_import_stays_light() -> None:
    # Libraries that cost a second or a hundred megabytes must not come in by the back door.
    heavy = ("scipy", "numpy", "pyarrow", "CoolProp", "matplotlib", "pint", "pymodbus", "apprise")
    code = f"import sys, collector.web; print([m for m in {heavy!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True,
                          timeout=30)
    assert done.stdout.strip() == "[]"
