"""Runs an ASGI application on our own socket, inside the loop that is already running."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Callable, Iterator

import uvicorn
from starlette.types import ASGIApp

from collector.domain.errors import QuietpipeError
from collector.web.connection_limits import (
    BoundedConnection,
    RequestLimit,
    raise_descriptor_limit,
)

__all__ = ["serve"]

_GRACE = 2
"""Seconds that running requests have to end after a stop."""


class _Server(uvicorn.Server):
    """A server that leaves the process's signals alone and reports when it is ready."""

    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Do nothing: the daemon owns the signals and stops its parts in order."""
        yield

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start to listen, then report it."""
        await super().startup(sockets)
        if self.started and not self.should_exit:
            self._ready()


def _listen(host: str, port: int) -> socket.socket:
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        listener = socket.socket(family, kind, protocol)
    except OSError as error:
        raise QuietpipeError(f"the board cannot listen on {host}:{port}: {error}") from error
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(address)
    except OSError as error:
        listener.close()
        raise QuietpipeError(
            f"the board cannot listen on {host}:{port}: {error.strerror or error}"
        ) from error
    listener.setblocking(False)
    return listener


async def serve(
    app: ASGIApp, host: str, port: int, on_ready: Callable[[str], None] | None = None,
    on_end: Callable[[], None] | None = None,
) -> None:
    """Serve ``app`` until cancelled; running requests then have two seconds to end.

    ``port`` 0 means any free one. ``on_ready`` is called once with the address to open
    (``http://127.0.0.1:8600``), ``on_end`` before the end, to close long-lived streams. Raises
    ``QuietpipeError`` when the port cannot be bound.
    """
    raise_descriptor_limit()
    with _listen(host, port) as listener:
        real = int(listener.getsockname()[1])
        shown = f"[{host}]" if ":" in host else host

        def ready() -> None:
            if on_ready is not None:
                on_ready(f"http://{shown}:{real}")

        config = uvicorn.Config(
            RequestLimit(app), lifespan="off", loop="asyncio", http=BoundedConnection, ws="none",
            log_config=None, access_log=False, server_header=False, proxy_headers=False,
            timeout_graceful_shutdown=_GRACE,
        )
        server = _Server(config, ready)
        running = asyncio.create_task(server.serve(sockets=[listener]))
        try:
            await asyncio.shield(running)
        except asyncio.CancelledError:
            server.should_exit = True
            if on_end is not None:
                on_end()
            await running
            raise
