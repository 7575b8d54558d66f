"""The page behind a link in a message: look at the alarm, acknowledge it, without an account.

Opening it changes nothing, since mail programs and their scanners open links by themselves; only
the button's POST does. A visitor without a good link learns nothing of the site. Guessing is
hopeless (a signature of 128 bits) and slowed down all the same; a good link is never locked out by
the guesses of others.
"""

from __future__ import annotations

import logging
from functools import cache
from pathlib import Path

from fastapi import FastAPI
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from collector.domain.actions import Action, Deed
from collector.domain.conditions import CAUTIONS
from collector.domain.errors import ActionRefused
from collector.domain.links import BY_LINK, Link, LinkRefused
from collector.domain.live import AlarmState
from collector.web.door import check_origin, public
from collector.web.limits import Limiter
from collector.web.link_view import FAULTS, link_page
from collector.web.render import static_file
from collector.web.services import BoardServices, LinkServices

__all__ = ["add_links"]

_log = logging.getLogger(__name__)

_HERE = Path(__file__).parent
_MINUTE = 60_000
_SLOW = ("Too many tries", "Wait a few minutes, then open the link from the message once more.")


@cache
def _templates() -> Environment:
    return Environment(
        loader=FileSystemLoader(_HERE / "templates"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True, auto_reload=False,
    )


def _page(status: int, heading: str, sentence: str, page: object = None) -> HTMLResponse:
    text = _templates().get_template("link.html").render(
        heading=heading, sentence=sentence, page=page, cautions=CAUTIONS,
    )
    return HTMLResponse(text, status_code=status, headers={"x-robots-tag": "noindex"})


class _Gate:
    """Reads tokens, and turns away whoever tries too many."""

    def __init__(self, services: BoardServices, links: LinkServices) -> None:
        self._services, self._links = services, links
        self._wrong = Limiter(most=20, window=5 * _MINUTE)
        self._uses = Limiter(most=30, window=_MINUTE)

    def open(self, token: str, client: str) -> Link | HTMLResponse:
        """Return what a token says, or the page that turns its bearer away."""
        now = self._services.clock.monotonic()
        try:
            link = self._links.read(token, self._services.clock.now())
        except LinkRefused as refused:
            if not self._wrong.allows(client, now):
                return _page(429, *_SLOW)
            self._wrong.count(client, now)
            _log.warning("a link was refused", extra={"fault": refused.fault, "client": client})
            return _page(*FAULTS[refused.fault])
        if not self._uses.allows(token, now):
            return _page(429, *_SLOW)
        self._uses.count(token, now)
        return link


def add_links(app: FastAPI, services: BoardServices) -> None:
    """Add the page, its button, its sheet and its mark; nothing where there are no links."""
    links = services.links
    if links is None:
        return
    gate = _Gate(services, links)

    @app.get("/a/link.css", include_in_schema=False)
    @public
    async def sheet() -> Response:
        return _file("link.css", "text/css; charset=utf-8")

    # Under /a/ as well: a proxy may let nothing else of the board out to the world.
    @app.get("/a/mark.svg", include_in_schema=False)
    @public
    async def mark() -> Response:
        return _file("mark.svg", "image/svg+xml")

    @app.get("/a/{token}", include_in_schema=False)
    @public
    async def look(request: Request, token: str) -> Response:
        link = gate.open(token, _client(request))
        return link if isinstance(link, Response) else await _shown(services, links, link)

    @app.post("/a/{token}", include_in_schema=False)
    @public
    async def answer(request: Request, token: str) -> Response:
        check_origin(request)
        link = gate.open(token, _client(request))
        if isinstance(link, Response):
            return link
        if not await _acknowledge(services, links, link):
            return await _shown(services, links, link, status=409)
        return RedirectResponse(f"/a/{token}", status_code=303)


def _file(name: str, kind: str) -> Response:
    return Response(static_file(name)[0], headers={
        "content-type": kind, "cache-control": "public, max-age=3600"})


def _client(request: Request) -> str:
    return request.client.host if request.client is not None else ""


async def _acknowledge(services: BoardServices, links: LinkServices, link: Link) -> int:
    """Acknowledge what still waits; return how many that were."""
    by, done = links.name(link.person) + BY_LINK, 0
    for occurrence in link.occurrences:
        action = Action(deed=Deed.ACKNOWLEDGE, alarm=occurrence, by=by,
                        time=services.clock.now())
        if not _waits(services, occurrence):
            continue
        try:
            await services.act(action)
        except ActionRefused:
            continue  # somebody else was quicker by a breath
        done += 1
    return done


def _waits(services: BoardServices, occurrence: str) -> bool:
    return any(a.id == occurrence and a.present and a.state is AlarmState.UNACKNOWLEDGED
               for a in services.alarms())


async def _shown(
    services: BoardServices, links: LinkServices, link: Link, *, status: int = 200,
) -> HTMLResponse:
    history = {name: await links.history(name) for name in link.occurrences}
    page = link_page(
        link, person=links.name(link.person), plant=services.plant(), alarms=services.alarms(),
        history=history, now=services.clock.now(),
    )
    return _page(status, page.heading, page.sentence, page)
