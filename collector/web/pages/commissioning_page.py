"""The page of a commissioning: the dialogue so far, the open question, and its answer."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from fastapi import Depends, FastAPI
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from collector.people import Role
from collector.web.access import changes_need, require
from collector.web.render import page
from collector.web.services import BoardServices

__all__ = ["add_commissioning_page"]

_AGAIN = 3
"""Seconds until the page is loaded again while the device is being asked."""
_LONGEST = 500


def add_commissioning_page(app: FastAPI, services: BoardServices) -> None:
    """Add ``/commissioning``; nothing on a board without it."""
    commissioning = services.commissioning
    if commissioning is None:
        return

    @app.get("/commissioning", include_in_schema=False,
             dependencies=[Depends(require(Role.MANAGE))])
    async def shown(request: Request) -> HTMLResponse:
        view = commissioning.view()
        return page(request, "commissioning.html", view=view,
                    again=_AGAIN if view.state == "working" else 0)

    async def done(do: Callable[[], None]) -> Response:
        await asyncio.to_thread(do)
        return RedirectResponse("/commissioning#question", status_code=303)

    @app.post("/commissioning/start", include_in_schema=False)
    @changes_need(Role.MANAGE)
    async def start() -> Response:
        return await done(commissioning.start)

    @app.post("/commissioning/answer", include_in_schema=False)
    @changes_need(Role.MANAGE)
    async def answer(request: Request) -> Response:
        sent = await request.form()
        question, text = str(sent.get("question", "")), str(sent.get("answer", ""))[:_LONGEST]
        return await done(lambda: commissioning.answer(question, text))

    @app.post("/commissioning/stop", include_in_schema=False)
    @changes_need(Role.MANAGE)
    async def stop() -> Response:
        return await done(commissioning.stop_asking)

    @app.post("/commissioning/leave", include_in_schema=False)
    @changes_need(Role.MANAGE)
    async def leave() -> Response:
        return await done(commissioning.leave)
