"""Speaking to the service manager over a real datagram socket, as sd_notify(3) has it."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.app.systemd import ServiceManager
from collector.clock import ManualClock


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        if request.param == "path":
            address = str(tmp_path / "notify")
            sock.bind(address)
        else:
            address = f"@quietpipe-test-{os.getpid()}-{id(sock)}"
            sock.bind("\0" + address[1:])
        sock.setblocking(False)
        yield address, sock


def heard(sock: socket.socket) -> list[str]:
    got: list[str] = []
    with contextlib.suppress(BlockingIOError):
        while True:
            got.append(sock.recv(4096).decode())
    return got


def test_what_is_said(manager: tuple[str, socket.socket]) -> None:
    address, sock = manager
    service = ServiceManager.from_environment({"NOTIFY_SOCKET": address})
    assert service.present
    service.ready("watching 3 devices")
    service.status("two\nlines")
    service.status("")
    service.reloading(1234)
    service.alive()
    service.stopping()
    assert heard(sock) == [
        "READY=1\nSTATUS=watching 3 devices", "STATUS=two lines",
        "RELOADING=1\nMONOTONIC_USEC=1234000", "WATCHDOG=1", "STOPPING=1",
    ]


async def test_signs_of_life_come_at_half_time_and_stop_when_unwell(
    manager: tuple[str, socket.socket],
) -> None:
    address, sock = manager
    service = ServiceManager.from_environment({
        "NOTIFY_SOCKET": address, "WATCHDOG_USEC": "10000000", "WATCHDOG_PID": str(os.getpid()),
    })
    assert service.watchdog == 10_000
    clock, well = ManualClock(), True
    task = asyncio.create_task(service.keep_alive(clock, lambda: well))

    async def after(duration: int) -> int:
        clock.advance(duration)
        for _ in range(5):
            await asyncio.sleep(0)
        return len(heard(sock))

    assert await after(0) == 1
    assert await after(4_999) == 0
    assert await after(1) == 1
    well = False
    assert await after(5_000) == 0
    assert await after(5_000) == 0
    well = True
    assert await after(5_000) == 1
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


async def test_without_a_watchdog_there_is_nothing_to_keep(
    manager: tuple[str, socket.socket],
) -> None:
    address, sock = manager
    await ServiceManager(address=address).keep_alive(ManualClock(), lambda: True)
    assert heard(sock) == []


@pytest.mark.parametrize(("env", "expected"), [
    ({}, None),
    ({"WATCHDOG_USEC": "30000000"}, 30_000),
    ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}, None),
    ({"WATCHDOG_USEC": "soon"}, None),
    ({"WATCHDOG_USEC": "0"}, None),
    ({"WATCHDOG_USEC": "1000"}, None),
])
def test_whose_watchdog_it_is(env: dict[str, str], expected: int | None) -> None:
    assert ServiceManager.from_environment(env).watchdog == expected


def test_alone_it_says_nothing() -> None:
    service = ServiceManager.from_environment({})
    assert not service.present
    service.ready()
    service.stopping()
    assert repr(service) == "ServiceManager(none)"


def test_a_manager_that_went_away_does_not_stop_the_watch(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    service = ServiceManager(address=str(tmp_path / "gone"))
    service.ready()
    service.alive()
    assert [r.message for r in caplog.records] == ["the service manager could not be notified"]


def test_a_socket_of_another_kind_is_said_once(caplog: pytest.LogCaptureFixture) -> None:
    assert not ServiceManager(address="vsock:2:1234").present
    assert "not spoken here" in caplog.text
