"""Builds the application: the access policy before every route, the error responses, the routes."""

from __future__ import annotations

import asyncio
import contextlib
import re
import socket
from collections.abc import Callable, Iterator
from typing import Annotated

import uvicorn
from fastapi import Depends, FastAPI, Query
from fastapi.exceptions import RequestValidationError
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from collector.domain.errors import QuietpipeError
from collector.web.access import REDIRECTED, CrossSiteNavigation, HttpError, SignInRequired
from collector.web.api import local_path
from collector.web.api.action_routes import add_action_routes
from collector.web.api.read_routes import add_read_routes
from collector.web.connection_limits import (
    BoundedConnection,
    RequestLimit,
    raise_descriptor_limit,
)
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

_LONGEST_BODY = 262_144
_PHOTO = re.compile(r"/incidents/[^/]+/photo")


class SecurityHeaders:
    """ASGI middleware; a response without a ``cache-control`` of its own is not stored."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

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
    app.add_middleware(SecurityHeaders)
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
