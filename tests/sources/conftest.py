"""The three ways to the same peer: Modbus TCP, RTU on a pseudo-terminal, RTU through a socket."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager

import pytest

from collector.sources import Address
from tests.sources.peer import Peer

Serve = Callable[[Peer], AbstractAsyncContextManager[Address]]


@pytest.fixture(params=["tcp", "rtu", "rtu+tcp"])
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def serve_on(kind: str) -> Serve:
    @contextlib.asynccontextmanager
    async def serve(peer: Peer) -> AsyncIterator[Address]:
        if kind == "rtu":
            async with peer.pty() as path:
                yield Address(kind="rtu", path=path, baud=115200, parity="none")
        else:
            async with peer.tcp(rtu=kind == "rtu+tcp") as port:
                yield Address(kind=kind, host="127.0.0.1", port=port)
    return serve


@pytest.fixture
def serve(kind: str) -> Serve:
    return serve_on(kind)
