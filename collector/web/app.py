"""Builds the application: the access policy before every route, the error responses, the routes."""

from __future__ import annotations

import asyncio
import contextlib
import re
import resource
import socket
from collections.abc import Callable, Iterator, Sequence
from typing import Annotated, Any

import uvicorn
from fastapi import Depends, FastAPI, Query
from fastapi.exceptions import RequestValidationError
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware
from uvicorn.protocols.http.h11_impl import H11Protocol

from collector.domain.errors import QuietpipeError
from collector.web.access import REDIRECTED, CrossSiteNavigation, HttpError, SignInRequired
from collector.web.api import local_path
from collector.web.api.action_routes import add_action_routes
from collector.web.api.read_routes import add_read_routes
from collector.web.pages.acceptance_pages import (
    add_acceptance_pages,
    add_commissioning_page,
)
from collector.web.pages.alarm_page import active_window_lines, add_alarm_page, add_window_page
from collector.web.pages.asset_pages import add_asset_pages, add_site_pages
from collector.web.pages.compressor_page import add_compressor_page, add_purge_page
from collector.web.pages.incident_page import LARGEST, add_incident_page
from collector.web.pages.message_link_page import add_message_link_page
from collector.web.pages.report_pages import add_report_page
from collector.web.pages.sign_in_pages import add_sign_in_pages
from collector.web.render import add_live, page
from collector.web.services import BoardServices

_POLICY = "content-security-policy"
_HEADERS = {
    # Everything a page needs comes from here, nothing is inline, no site may frame it.
    _POLICY: (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # Not no-referrer: browsers then send "Origin: null" with our own forms.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}

_HSTS = "strict-transport-security"
_ONLY_HTTPS = "max-age=31536000"
"""A year in s, for this host alone: a browser that came by https comes by nothing else."""
_LONGEST_BODY = 262_144
_PHOTO = re.compile(r"/incidents/[^/]+/photo")


class SecurityHeaders:
    """ASGI middleware; a response without a ``cache-control`` of its own is not stored."""

    def __init__(self, app: ASGIApp, is_secure: Callable[[Request], bool]) -> None:
        self._app, self._is_secure = app, is_secure

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on and add the headers to its response."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    # Only the policy may be the response's own: a report's names its style sheet.
                    if name != _POLICY or name not in headers:
                        headers[name] = value
                headers.setdefault("cache-control", "no-store")
                if self._is_secure(Request(scope)):
                    headers[_HSTS] = _ONLY_HTTPS
            await send(message)

        photo = _PHOTO.fullmatch(scope["path"]) is not None
        await self._app(scope, _limited(receive, LARGEST if photo else _LONGEST_BODY),
                        with_headers)


def _limited(receive: Receive, most: int) -> Receive:
    """Stop reading a body of more than ``most`` bytes."""
    taken = 0

    async def counted() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > most:
            raise HttpError(413, f"The request is too long: {most} bytes at most.")
        return message

    return counted


_Time = Annotated[str | None, Query(max_length=64)]


def create_app(services: BoardServices) -> FastAPI:
    """Build the board and the HTTP interface; ``services`` is not used before the first request."""
    app = FastAPI(
        title="quietpipe", version=services.version, docs_url=None, redoc_url=None,
        description="Reads what the monitor of one site knows; acknowledges and shelves alarms, "
                    "declares fills, impairments and visits, resets baselines. Only a "
                    "commissioning asks a device.",
        # Before every route, also those that other modules add: a new route is closed by default.
        dependencies=[Depends(services.access.admit)],
    )
    app.state.site_name = lambda: services.plant().site.name
    app.state.active_windows = active_window_lines(services)
    app.add_middleware(SecurityHeaders, is_secure=services.access.is_secure)
    add_error_handlers(app)
    add_read_routes(app, services)
    add_action_routes(app, services)
    add_message_link_page(app, services)
    add_window_page(app, services)
    add_acceptance_pages(app, services)
    add_commissioning_page(app, services)
    add_report_page(app, services)
    add_sign_in_pages(app, services)
    add_live(app, services.live, services.access)
    add_site_pages(app, services)
    add_asset_pages(app, services)
    add_compressor_page(app, services)
    add_purge_page(app, services)
    add_alarm_page(app, services)
    add_incident_page(app, services)
    return app


def _error(
    request: Request, status: int, sentence: str, retry_after: int | None = None,
) -> Response:
    headers = {"www-authenticate": "Bearer"} if status == 401 else {}
    if retry_after is not None:
        headers["retry-after"] = str(retry_after)
    if getattr(request.state, "from_form", False) or (
        request.method == "GET" and "text/html" in request.headers.get("accept", "")
    ):
        return page(request, "error.html", status=status, headers=headers, sentence=sentence,
                    here="/")
    return JSONResponse({"error": sentence}, status_code=status, headers=headers)


def add_error_handlers(app: FastAPI) -> None:
    """Answer every error with one sentence, as a page for a browser or as JSON."""
    @app.exception_handler(HttpError)
    async def http_error(request: Request, error: HttpError) -> Response:
        return _error(request, error.status, error.sentence, error.retry_after)

    @app.exception_handler(SignInRequired)
    async def sign_in(request: Request, error: SignInRequired) -> Response:
        return RedirectResponse(f"/sign-in?next={error.back}", status_code=303)

    @app.exception_handler(CrossSiteNavigation)
    async def cross_site(request: Request, error: CrossSiteNavigation) -> Response:
        query = f"?{request.url.query}" if request.url.query else ""
        answer = page(request, "continue.html", to=local_path(f"{request.url.path}{query}", "/"))
        answer.set_cookie(REDIRECTED, "1", max_age=5, httponly=True, samesite="lax", path="/")
        return answer

    @app.exception_handler(QuietpipeError)
    async def failed(request: Request, error: QuietpipeError) -> Response:
        return _error(request, 503, f"Not available at the moment: {error}")

    @app.exception_handler(RequestValidationError)
    async def invalid(request: Request, error: RequestValidationError) -> Response:
        parts = [f"'{e['loc'][-1]}': {e['msg'][:1].lower()}{e['msg'][1:]}" for e in error.errors()]
        return _error(request, 422, "; ".join(parts) + ".")

    @app.exception_handler(HTTPException)
    async def framework_error(request: Request, error: HTTPException) -> Response:
        sentence = {
            404: "There is nothing at this address.",
            405: "This address does not take that kind of request.",
        }.get(error.status_code, str(error.detail))
        response = _error(request, error.status_code, sentence)
        response.headers.update(error.headers or {})
        return response


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
    on_end: Callable[[], None] | None = None, proxies: Sequence[str] = (),
) -> None:
    """Serve ``app`` until cancelled; running requests then have two seconds to end.

    ``port`` 0 means any free one. ``on_ready`` is called once with the address to open
    (``http://127.0.0.1:8600``), ``on_end`` before the end, to close long-lived streams. Of
    ``proxies`` (addresses and networks) the forwarded address is believed. Raises
    ``QuietpipeError`` when the port cannot be bound.
    """
    if proxies:
        app = ProxyHeadersMiddleware(app, list(proxies))  # type: ignore[arg-type, assignment]
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
