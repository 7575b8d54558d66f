"""The survey as a page: what the pipes hold, filling, purging, limits, and what is not said."""

from __future__ import annotations

import asyncio

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import HTMLResponse

from collector.survey import Deliveries, Survey, make_survey
from collector.survey.measured import measured
from collector.web.render import page
from collector.web.services import BoardServices

__all__ = ["add_survey"]


def add_survey(app: FastAPI, services: BoardServices) -> None:
    """Add ``/survey``; whoever may look may read it."""

    def survey() -> Survey:
        plant = services.plant()
        nitrogen = measured(plant, services.estimates())
        return make_survey(plant, deliveries=Deliveries(air={}, nitrogen=nitrogen),
                           not_watched=services.not_watched())

    @app.get("/survey", include_in_schema=False)
    async def shown(request: Request) -> HTMLResponse:
        # In a thread: the pipe tables are read on first use, which takes a moment.
        return page(request, "survey.html", survey=await asyncio.to_thread(survey))
