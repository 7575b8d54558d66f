"""Limits on connections and requests: a crowd at the board must not cost readings or messages.

Descriptors are shared with the devices, the journal and the mail server. So connections are few,
those that send no whole request in time are closed, and the oldest of them gives way to a new one.
``/healthz`` is answered however many requests are under way.
"""

from __future__ import annotations

import asyncio
import resource
from typing import Any

from starlette.types import ASGIApp, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

__all__ = ["BoundedConnection", "RequestLimit", "raise_descriptor_limit"]

_MOST_CONNECTIONS, _MOST_REQUESTS = 300, 200
_REQUEST_WITHIN = 20.0
"""Seconds from a connection, or from the last answer on it, to the end of a request."""
_DESCRIPTORS = 8192
_KEPT_FREE = 256
"""Descriptors that are kept for devices, messages and the journal."""


def raise_descriptor_limit() -> None:
    """Raise this process's limit of open files as far as it may."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = _DESCRIPTORS if hard == resource.RLIM_INFINITY else min(hard, _DESCRIPTORS)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))


class BoundedConnection(H11Protocol):
    """A connection that counts towards a limit and is closed without a complete request in time."""

    _timer: asyncio.TimerHandle | None = None

    @property
    def waits(self) -> bool:
        """Whether no complete request has arrived that is still unanswered."""
        return self.cycle is None or self.cycle.response_complete or self.cycle.more_body

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Accept a connection; of too many, close the oldest that still waits for a request."""
        super().connection_made(transport)
        self._since = self.loop.time()
        self._start_timer()
        soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
        most = _MOST_CONNECTIONS if soft == resource.RLIM_INFINITY else max(
            min(_MOST_CONNECTIONS, soft - _KEPT_FREE), 8)
        if len(self.connections) > most:
            others = [c for c in self.connections
                      if isinstance(c, BoundedConnection) and c is not self and c.waits]
            oldest = min(others, key=lambda c: c._since, default=self)
            oldest.transport.abort()
            self.connections.discard(oldest)

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_timer()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Apply received bytes; a complete request stops the time limit."""
        super().data_received(data)
        if not self.waits:
            self._stop_timer()

    def on_response_complete(self) -> None:
        """Start the time limit for the next request."""
        super().on_response_complete()
        self._since = self.loop.time()
        self._start_timer()

    def _start_timer(self) -> None:
        self._stop_timer()
        self._timer = self.loop.call_later(_REQUEST_WITHIN, self._too_late)

    def _stop_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _too_late(self) -> None:
        if self.waits and not self.transport.is_closing():
            self.transport.abort()


class RequestLimit:
    """Answers 503 to more requests at once than can be served, except to ``/healthz``."""

    def __init__(self, app: ASGIApp) -> None:
        self._app, self._running = app, 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve a request."""
        if scope["type"] == "http" and self._running >= _MOST_REQUESTS \
                and scope["path"] != "/healthz":
            headers: Any = [(b"content-type", b"text/plain"), (b"retry-after", b"5"),
                            (b"connection", b"close")]
            await send({"type": "http.response.start", "status": 503, "headers": headers})
            await send({"type": "http.response.body", "body": b"Too many requests at the moment."})
            return
        self._running += 1
        try:
            await self._app(scope, receive, send)
        finally:
            self._running -= 1
