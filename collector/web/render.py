"""Fills templates with the parts of every page: visitor, navigation, cautions, active windows."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from urllib.parse import quote, unquote

from fastapi import FastAPI
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response, StreamingResponse

from collector.domain.conditions import CAUTIONS
from collector.domain.events import AlarmTransition, Event, SystemEvent
from collector.people import Role
from collector.web.access import AccessPolicy, HttpError, visitor

_HERE = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class NavigationItem:
    """One entry of the navigation: its path and its label."""

    path: str
    word: str


NAVIGATION = (
    NavigationItem("/", "Overview"),
    NavigationItem("/alarms", "Alarms"),
    NavigationItem("/work", "Work"),
    NavigationItem("/windows", "Impairments"),
    NavigationItem("/commissioning", "Commissioning"),
    NavigationItem("/acceptance", "Acceptance"),
    NavigationItem("/survey", "Survey"),
    NavigationItem("/reports", "Reports"),
    NavigationItem("/health", "Health"),
    NavigationItem("/explain", "Handbook"),
)
"""In the order shown; entries without a page in the application are left out."""


@cache
def static_file(name: str) -> tuple[bytes, str]:
    content = (_HERE / "static" / name).read_bytes()
    return content, hashlib.sha256(content).hexdigest()[:12]


def _address(name: str) -> str:
    # The content's digest in the address lets browsers keep the file for ever, and yet never
    # show a new page with an old style sheet.
    return f"/static/{name}?v={static_file(name)[1]}"


@cache
def templates() -> Environment:
    """Return the environment that fills the templates; every word is escaped."""
    environment = Environment(
        loader=FileSystemLoader(_HERE / "templates"), autoescape=True,
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, auto_reload=False,
    )
    environment.globals["static"] = _address
    environment.filters["segment"] = lambda text: quote(text, safe="")
    return environment


def _navigation(request: Request) -> list[tuple[str, str, bool]]:
    path = request.url.path
    there = {getattr(route, "path", "") for route in request.app.routes}

    def here(item: NavigationItem) -> bool:
        return path == item.path or (item.path != "/" and path.startswith(f"{item.path}/"))
    return [(item.path, item.word, here(item)) for item in NAVIGATION if item.path in there]


def page(
    request: Request, template: str, *, status: int = 200,
    headers: Mapping[str, str] | None = None, **context: object,
) -> HTMLResponse:
    """Fill a template that extends ``base.html``.

    Beside ``context`` it gets ``visitor`` (a :class:`~collector.web.access.Visitor`), ``csrf`` (for
    the macro ``parts.token``), ``cautions``, ``navigation``, ``here`` (the request's path),
    ``active_windows`` (a line each, for visitors who may read) and ``can``: ``can("respond")`` is
    whether a person with that role is signed in.
    """
    found = visitor(request)

    def can(role: str) -> bool:
        return bool(found.name) and found.may(Role(role))

    filled = templates().get_template(template).render({
        "visitor": found, "csrf": found.csrf, "cautions": CAUTIONS, "here": request.url.path,
        "navigation": _navigation(request), "can": can,
        "version": request.app.version, "site_name": request.app.state.site_name(),
        # Impairments are not shown to visitors who may not read.
        "active_windows": request.app.state.active_windows() if found.may(Role.LOOK) else (),
        # The script reads a page again without showing it from the top: that shows nothing new.
        "done": "" if "x-refresh" in request.headers else unquote(
            request.cookies.get(_DONE, "")),
        **context,
    })
    response = HTMLResponse(filled, status_code=status, headers=dict(headers or {}))
    if _DONE in request.cookies and "x-refresh" not in request.headers:
        response.delete_cookie(_DONE, path="/")
    return response


_DONE = "quietpipe_done"
"""Cookie with what the action before this page did; shown once."""


def confirmed(response: Response, text: str) -> Response:
    """Have the next page say what was done."""
    response.set_cookie(_DONE, quote(text[:300]), max_age=60, httponly=True, samesite="strict",
                        path="/")
    return response


_MOST = 50
"""Most pages that may listen at a time; the others reload every few seconds."""
_PAUSE = 4.0
"""Shortest real time (s) between two messages about readings."""
_PULSE = 12.0
"""Seconds after which a message is sent in any case, so that a page can detect our silence."""


class Live:
    """Notifies the listening pages. ``wake`` is called in the loop that the pages are served in."""

    def __init__(self) -> None:
        self._alarms: set[asyncio.Event] = set()
        self._turns = 0
        self._closed = False

    def __repr__(self) -> str:
        return f"Live({len(self._alarms)} listening)"

    @property
    def turns(self) -> int:
        """Number of commits so far."""
        return self._turns

    def wake(self, events: Sequence[Event]) -> None:
        """Notify of a commit; at once where it holds an alarm transition or a system event."""
        self._turns += 1
        if any(isinstance(e, AlarmTransition | SystemEvent) for e in events):
            for waiting in self._alarms:
                waiting.set()

    def close(self) -> None:
        """End every open stream, so that a stop does not wait for them."""
        self._closed = True
        for waiting in self._alarms:
            waiting.set()

    async def changes(self, allowed: Callable[[], bool]) -> AsyncIterator[str]:
        """Yield the kind of each change until ``allowed`` returns false, or the stream is closed.

        ``alarms``: an alarm changed; ``readings``: values may have changed; ``pulse``: no change.
        """
        if len(self._alarms) >= _MOST:
            raise HttpError(503, "Too many pages are open at the moment.", retry_after=30)
        waiting = asyncio.Event()
        self._alarms.add(waiting)
        try:
            seen, idle = self._turns, 0.0
            yield "pulse"
            while not self._closed and allowed():
                word = await self._next(waiting, seen)
                idle = idle + _PAUSE if word is None else 0.0
                seen = self._turns
                if word is not None:
                    yield word
                elif idle >= _PULSE:
                    idle = 0.0
                    yield "pulse"
        finally:
            self._alarms.discard(waiting)

    async def _next(self, waiting: asyncio.Event, seen: int) -> str | None:
        try:
            async with asyncio.timeout(_PAUSE):
                await waiting.wait()
        except TimeoutError:
            return "readings" if self._turns != seen else None
        waiting.clear()
        return "alarms"


def add_live(app: FastAPI, live: Live, access: AccessPolicy) -> None:
    """Add ``/live``."""
    @app.get("/live", include_in_schema=False)
    async def stream(request: Request) -> StreamingResponse:
        changes = live.changes(lambda: access.still_may_look(request))
        first = await anext(changes)  # an error must come before the headers are sent

        async def lines() -> AsyncIterator[str]:
            yield f"retry: 5000\nevent: {first}\ndata: \n\n"
            async for word in changes:
                yield f"event: {word}\ndata: \n\n"

        return StreamingResponse(lines(), media_type="text/event-stream",
                                 headers={"x-accel-buffering": "no"})
