"""The pages: templates filled from pure views, and the two files of ours they need."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from fastapi import FastAPI
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from collector.domain.errors import QuietpipeError
from collector.domain.events import Event
from collector.web.board_view import BoardFacts, BoardView, board_view, in_order
from collector.web.door import public
from collector.web.health import Health, pace_of
from collector.web.refusals import Refusal
from collector.web.render import page, static_file
from collector.web.services import BoardServices

__all__ = ["add_pages", "in_order"]

_KINDS = {
    "board.css": "text/css; charset=utf-8",
    "board.js": "text/javascript; charset=utf-8",
    "follow.js": "text/javascript; charset=utf-8",
    "mark.svg": "image/svg+xml",
}
_LOOK_BACK = 86_400_000
"""ms of history the board's log shows."""


async def _board(services: BoardServices, health: Health) -> BoardView:
    now = services.clock.now()
    events: Sequence[Event] = ()
    trouble = ""
    try:
        events = await services.events(now - _LOOK_BACK, now + 1)
    except QuietpipeError as error:
        # What stands now is known without the journal, and is wanted most when it is in trouble.
        trouble = str(error)
    facts = BoardFacts(
        plant=services.plant(), points=services.picture.points(), alarms=services.alarms(),
        not_watched=services.not_watched(), fills=services.fills(),
        baselines=services.baselines(), estimates=services.estimates(),
        events=events, log_trouble=trouble,
        statistics=services.statistics(), health=health, now=now, pace=pace_of(services.clock),
    )
    return board_view(facts)


def add_pages(app: FastAPI, services: BoardServices, health: Callable[[], Health]) -> None:
    """Add the board, the part of it that is read again and again, and its files."""
    @app.get("/", include_in_schema=False)
    async def board(request: Request) -> HTMLResponse:
        return page(request, "board.html", board=await _board(services, health()))

    @app.get("/board/sheet", include_in_schema=False)
    async def sheet(request: Request) -> HTMLResponse:
        return page(request, "sheet.html", board=await _board(services, health()))

    _add_handbook(app, services)
    _add_files(app)


def _add_handbook(app: FastAPI, services: BoardServices) -> None:
    def handbook(request: Request, name: str) -> HTMLResponse:
        found = services.handbook(name)
        if found is None:
            raise Refusal(404, "The handbook has no such page.")
        return page(request, "handbook.html", title=found.title,
                    content=Markup(found.html))  # noqa: S704

    @app.get("/explain", include_in_schema=False)
    async def contents(request: Request) -> HTMLResponse:
        return handbook(request, "contents")

    @app.get("/explain/{name}", include_in_schema=False)
    async def explain(request: Request, name: str) -> HTMLResponse:
        return handbook(request, name)


def _add_files(app: FastAPI) -> None:
    @app.get("/static/{name}", include_in_schema=False)
    @public
    async def static(request: Request, name: str) -> Response:
        if name not in _KINDS:
            raise Refusal(404, "There is nothing at this address.")
        content, digest = static_file(name)
        kept = request.query_params.get("v") == digest
        headers = {"content-type": _KINDS[name],
                   "cache-control": "public, max-age=31536000, immutable" if kept else "no-cache"}
        return Response(content, headers=headers)
