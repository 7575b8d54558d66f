"""The pages of the whole site (overview, work, survey, health), the handbook, static files."""

from __future__ import annotations

import asyncio
from zoneinfo import ZoneInfo

from fastapi import FastAPI
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from collector.domain.deliveries import DeliveryState
from collector.domain.errors import QuietpipeError
from collector.survey import Deliveries, Survey, make_survey
from collector.survey.site_survey import measured
from collector.web.access import public
from collector.web.board_queries import board_facts
from collector.web.http_errors import HttpError
from collector.web.render import page, static_file
from collector.web.services import BoardServices
from collector.web.views.assets import branches
from collector.web.views.board import board_view
from collector.web.views.lists import BoardFacts, Line, when_of

__all__ = ["add_site_pages"]

_KINDS = {
    "board.css": "text/css; charset=utf-8",
    "board.js": "text/javascript; charset=utf-8",
    "follow.js": "text/javascript; charset=utf-8",
    "mark.svg": "image/svg+xml",
}
_DELIVERIES = 20
_DELIVERY_WORDS = {
    DeliveryState.WAITING: "waiting", DeliveryState.BEGUN: "being sent",
    DeliveryState.DELIVERED: "delivered", DeliveryState.GIVEN_UP: "given up",
    DeliveryState.UNCERTAIN: "cut off twice, may have arrived",
}


def add_site_pages(app: FastAPI, services: BoardServices) -> None:
    """Add the overview, work, health, the handbook and the static files."""
    @app.get("/", include_in_schema=False)
    async def overview(request: Request) -> HTMLResponse:
        known = await board_facts(services)
        board = board_view(known)
        piped, others = branches(known.plant, board.assets, known.points)
        return page(request, "overview.html", board=board, piped=piped, others=others)

    @app.get("/work", include_in_schema=False)
    async def work(request: Request) -> HTMLResponse:
        return page(request, "work.html", board=board_view(await board_facts(services, log=False)))

    @app.get("/health", include_in_schema=False)
    async def health(request: Request) -> HTMLResponse:
        known = await board_facts(services)
        return page(request, "health.html", board=board_view(known), devices=_devices(known),
                    deliveries=await _deliveries(services, known))

    _add_survey(app, services)
    _add_handbook(app, services)
    _add_files(app)


def _devices(facts: BoardFacts) -> list[dict[str, object]]:
    """Return the devices as rows, those that do not respond first."""
    zone = ZoneInfo(facts.plant.site.timezone)
    rows = []
    for one in sorted(facts.statistics.devices, key=lambda d: (d.answering, d.device)):
        known = facts.plant.devices.get(one.device)
        rows.append({
            "name": facts.plant.name_of(one.device), "answering": one.answering, "why": one.why,
            "last": None if one.last_answer is None else when_of(one.last_answer, zone, facts.now),
            "late": None if one.lateness is None else f"{one.lateness / 1000 / facts.pace:.1f} s",
            "polls": one.polls, "failures": one.failures,
            "every": None if known is None else f"{known.every / 1000:g} s",
        })
    return rows


async def _deliveries(services: BoardServices, facts: BoardFacts) -> list[Line]:
    zone = ZoneInfo(facts.plant.site.timezone)
    try:
        found = await services.past.deliveries(_DELIVERIES)
    except QuietpipeError as error:
        return [Line(what="The journal cannot be read", more=str(error), good=False)]
    return [
        Line(when=when_of(one.created, zone, facts.now), what=f"{one.recipient}: {one.subject}",
             more=_DELIVERY_WORDS[one.state] + (f" ({one.detail})" if one.detail else ""),
             good=one.state in (DeliveryState.DELIVERED, DeliveryState.WAITING,
                                DeliveryState.BEGUN) and not one.attempts)
        for one in found
    ]


def _add_handbook(app: FastAPI, services: BoardServices) -> None:
    def handbook(request: Request, name: str) -> HTMLResponse:
        found = services.handbook(name)
        if found is None:
            raise HttpError(404, "The handbook has no such page.")
        return page(request, "handbook.html", title=found[0], content=Markup(found[1]))  # noqa: S704

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
            raise HttpError(404, "There is nothing at this address.")
        content, digest = static_file(name)
        kept = request.query_params.get("v") == digest
        headers = {"content-type": _KINDS[name],
                   "cache-control": "public, max-age=31536000, immutable" if kept else "no-cache"}
        return Response(content, headers=headers)


def _add_survey(app: FastAPI, services: BoardServices) -> None:
    """Add ``/survey``."""

    def survey() -> Survey:
        plant = services.plant()
        nitrogen = measured(plant, services.estimates())
        return make_survey(plant, deliveries=Deliveries(air={}, nitrogen=nitrogen),
                           not_monitored=services.not_monitored())

    @app.get("/survey", include_in_schema=False)
    async def shown(request: Request) -> HTMLResponse:
        # In a thread: the pipe tables are read on first use, which takes a moment.
        return page(request, "survey.html", survey=await asyncio.to_thread(survey))
