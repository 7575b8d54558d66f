"""The pages: templates filled from pure views, and the two files of ours they need."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path
from urllib.parse import quote

from fastapi import FastAPI
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from collector.domain.conditions import CAUTIONS
from collector.domain.errors import QuietpipeError
from collector.domain.events import Event
from collector.web.board_view import BoardFacts, board_view, in_order
from collector.web.health import Health, pace_of
from collector.web.refusals import Refusal
from collector.web.services import BoardServices

__all__ = ["add_pages", "in_order", "refusal_page"]

_HERE = Path(__file__).parent
_KINDS = {
    "board.css": "text/css; charset=utf-8",
    "board.js": "text/javascript; charset=utf-8",
    "mark.svg": "image/svg+xml",
}
_LOOK_BACK = 86_400_000
"""ms of history the board's log shows."""


@cache
def _file(name: str) -> tuple[bytes, str]:
    content = (_HERE / "static" / name).read_bytes()
    return content, hashlib.sha256(content).hexdigest()[:12]


def _address(name: str) -> str:
    # The content's digest in the address lets browsers keep the file for ever, and yet never
    # show a new page with an old sheet.
    return f"/static/{name}?v={_file(name)[1]}"


@cache
def _templates() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(_HERE / "templates"), autoescape=True,
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, auto_reload=False,
    )
    environment.globals["static"] = _address
    environment.filters["segment"] = lambda text: quote(text, safe="")
    return environment


def refusal_page(sentence: str) -> str:
    """Write the page that says no, and the way back."""
    return _templates().get_template("refusal.html").render(
        sentence=sentence, cautions=CAUTIONS
    )


async def _board(services: BoardServices, health: Health) -> dict[str, object]:
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
        may_act=bool(services.token),
    )
    return {"board": board_view(facts), "cautions": CAUTIONS, "version": services.version}


def add_pages(app: FastAPI, services: BoardServices, health: Callable[[], Health]) -> None:
    """Add the board, the part of it that is read again and again, and its files."""

    async def page(template: str) -> HTMLResponse:
        filled = await _board(services, health())
        return HTMLResponse(_templates().get_template(template).render(filled))

    @app.get("/", include_in_schema=False)
    async def board() -> HTMLResponse:
        return await page("board.html")

    @app.get("/board/sheet", include_in_schema=False)
    async def sheet() -> HTMLResponse:
        return await page("sheet.html")

    async def handbook(name: str) -> HTMLResponse:
        found = services.handbook(name)
        if found is None:
            raise Refusal(404, "The handbook has no such page.")
        return HTMLResponse(_templates().get_template("handbook.html").render(
            title=found.title, content=Markup(found.html), cautions=CAUTIONS,  # noqa: S704
        ))

    @app.get("/explain", include_in_schema=False)
    async def contents() -> HTMLResponse:
        return await handbook("contents")

    @app.get("/explain/{name}", include_in_schema=False)
    async def explain(name: str) -> HTMLResponse:
        return await handbook(name)

    @app.get("/static/{name}", include_in_schema=False)
    async def static(request: Request, name: str) -> Response:
        if name not in _KINDS:
            raise Refusal(404, "There is nothing at this address.")
        content, digest = _file(name)
        kept = request.query_params.get("v") == digest
        headers = {"content-type": _KINDS[name],
                   "cache-control": "public, max-age=31536000, immutable" if kept else "no-cache"}
        return Response(content, headers=headers)
