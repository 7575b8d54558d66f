"""The pages of a commissioning and of an acceptance, on the records of the command line."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeVar

from fastapi import Depends, FastAPI
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, RedirectResponse, Response

from collector.acceptance import (
    ABOUT,
    PIPES,
    AcceptanceService,
    Record,
    RecordError,
    Result,
    SiteUnits,
    Size,
    StepState,
)
from collector.domain.basis import printed_basis
from collector.domain.conditions import CAUTIONS
from collector.domain.units import plain_number, with_capital
from collector.people import Role
from collector.plots import draw
from collector.web.access import HttpError, changes_need, require, visitor
from collector.web.api import ActionRequest, read_form
from collector.web.render import page
from collector.web.services import BoardServices
from collector.web.views.trends import DRAWN

T = TypeVar("T")
_PEOPLE = 4
"""Lines for signatures in the form."""
_AGAIN = 5
"""s after which a page about a running step is read again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Progress:
    """An acceptance with the state of every step."""

    record: Record
    seen: tuple[StepState, ...]

    @property
    def left(self) -> int:
        return sum(not one.entry.settled for one in self.seen)

    @property
    def running(self) -> bool:
        return any(one.entry.result is Result.RUNNING for one in self.seen)


class _Pages:
    def __init__(self, services: BoardServices, service: AcceptanceService) -> None:
        self._services, self._service = services, service

    async def work(self, do: Callable[[], T]) -> T:
        """Run ``do``, which uses the disk, in a thread; a refusal is answered with 409."""
        try:
            return await asyncio.to_thread(do)
        except RecordError as refused:
            raise HttpError(409, with_capital(str(refused)).rstrip(".") + ".") from refused

    @property
    def words(self) -> SiteUnits:
        return SiteUnits(self._services.plant().site)

    # -- looking ---------------------------------------------------------------------------------

    def _whole(self) -> tuple[_Progress | None, list[Record]]:
        service, now = self._service, self._services.clock.now()
        records = service.records()
        current = next((r for r in reversed(records) if r.sealed is None), None)
        signed = [r for r in reversed(records) if r.sealed is not None]
        if current is None:
            return None, signed
        seen = tuple(service.check(current.id, step.id, now) for step in service.steps(current))
        return _Progress(record=service.store.load(current.id), seen=seen), signed

    async def overview(self, request: Request) -> HTMLResponse:
        whole, signed = await self.work(self._whole)
        return page(request, "acceptance.html", whole=whole, signed=signed, words=self.words,
                    sizes=[s.value for s in Size], people=range(1, _PEOPLE + 1), pipes=PIPES,
                    about=ABOUT, overall=self._service.overall, groups=() if whole is None
                    else self._service.groups(whole.record),
                    again=_AGAIN if whole is not None and whole.running else 0)

    async def step(self, request: Request, step_id: str) -> HTMLResponse:
        service, now = self._service, self._services.clock.now()

        def look() -> tuple[Record, StepState, list[tuple[str, str]]]:
            record = self._current()
            service.step(record, step_id)
            seen = service.check(record.id, step_id, now)
            return service.store.load(record.id), seen, [
                (p.title, draw(replace(p, width=DRAWN))) for p in service.plots(seen)]
        record, seen, plots = await self.work(look)
        return page(
            request, "acceptance_step.html", record=record, seen=seen, words=self.words,
            basis=lambda source: printed_basis(source, self._services.plant().site.code),
            # Drawn here, every word in it escaped.
            plots=[(title, Markup(drawing)) for title, drawing in plots],  # noqa: S704
            warnings=[CAUTIONS[n] for n in seen.step.cautions],
            again=_AGAIN if seen.entry.result is Result.RUNNING else 0)

    def _current(self) -> Record:
        record = self._service.current()
        if record is None:
            raise RecordError("no acceptance in progress: start one first")
        return record

    async def pdf(self, record_id: str) -> Response:
        path = await self.work(lambda: self._service.store.pdf_path(record_id))
        if not await asyncio.to_thread(path.is_file):
            raise HttpError(404, "There is no signed record of that name.")
        return FileResponse(path, media_type="application/pdf", filename=path.name)

    # -- doing -----------------------------------------------------------------------------------

    async def _sent(self, request: Request) -> tuple[ActionRequest, str, int]:
        sent = await read_form(request)
        by = visitor(request).name or sent.text("by")
        return sent, by, self._services.clock.now()

    async def open(self, request: Request) -> Response:
        sent, by, now = await self._sent(request)
        size = sent.text("size")
        if size not in set(Size):
            raise HttpError(400, "Say which size the unit is: small or larger.")
        pipe = sent.text("pipe")
        await self.work(lambda: self._service.open(by=by, size=Size(size), now=now, pipe=pipe))
        return _back()

    async def describe(self, request: Request) -> Response:
        sent, _, _ = await self._sent(request)
        about = {key: sent.text(key) for key in ABOUT}
        await self.work(lambda: self._service.describe(self._current().id, about))
        return _back()

    async def sign_own(self, request: Request) -> Response:
        sent, _, now = await self._sent(request)
        name, role = visitor(request).name, sent.text("role")
        if not name:
            raise HttpError(403, "Sign in to sign for yourself.")
        await self.work(lambda: self._service.sign_own(
            self._current().id, name=name, role=role, now=now))
        return _back()

    async def begin(self, request: Request, step_id: str) -> Response:
        _, by, now = await self._sent(request)
        await self.work(lambda: self._service.begin(self._current().id, step_id, by=by, now=now))
        return _back(step_id)

    async def skip(self, request: Request, step_id: str) -> Response:
        sent, by, now = await self._sent(request)
        await self.work(lambda: self._service.skip(
            self._current().id, step_id, reason=sent.text("why"), by=by, now=now))
        return _back()

    async def enter_reading(self, request: Request, step_id: str) -> Response:
        sent, by, now = await self._sent(request)
        value = plain_number(sent.text("value").strip().removesuffix("%"))
        if value is None:
            raise HttpError(400, "What the instrument shows must be a number.")
        await self.work(lambda: self._service.enter_reading(
            self._current().id, step_id, value=value, by=by, now=now,
            instrument=sent.text("instrument"), serial=sent.text("serial")))
        return _back(step_id)

    async def sign(self, request: Request) -> Response:
        sent, _, now = await self._sent(request)
        lines = [(sent.text(f"name{n}").strip(), sent.text(f"role{n}").strip())
                 for n in range(1, _PEOPLE + 1)]
        people = [line for line in lines if any(line)]
        await self.work(lambda: self._service.sign(self._current().id, people, now))
        return _back()


def _back(step_id: str = "") -> Response:
    path = f"/acceptance/steps/{step_id}" if step_id else "/acceptance"
    return RedirectResponse(path, status_code=303)


def add_acceptance_pages(app: FastAPI, services: BoardServices) -> None:
    """Add ``/acceptance`` and its actions.

    Steps need the role ``respond``; to start and to sign an acceptance needs ``manage``.
    """
    if services.acceptance is None:
        return
    pages = _Pages(services, services.acceptance)
    manage = [Depends(require(Role.MANAGE))]

    @app.get("/acceptance", include_in_schema=False)
    async def overview(request: Request) -> HTMLResponse:
        return await pages.overview(request)

    @app.get("/acceptance/steps/{step_id}", include_in_schema=False)
    async def step(request: Request, step_id: str) -> HTMLResponse:
        return await pages.step(request, step_id)

    @app.get("/acceptance/records/{record_id}.pdf", include_in_schema=False)
    async def pdf(record_id: str) -> Response:
        return await pages.pdf(record_id)

    @app.post("/acceptance/open", dependencies=manage, include_in_schema=False)
    async def open_one(request: Request) -> Response:
        return await pages.open(request)

    @app.post("/acceptance/sign", dependencies=manage, include_in_schema=False)
    async def sign(request: Request) -> Response:
        return await pages.sign(request)

    @app.post("/acceptance/details", dependencies=manage, include_in_schema=False)
    async def describe(request: Request) -> Response:
        return await pages.describe(request)

    @app.post("/acceptance/signature", include_in_schema=False)
    async def sign_own(request: Request) -> Response:
        return await pages.sign_own(request)

    _add_step_actions(app, pages)


def _add_step_actions(app: FastAPI, pages: _Pages) -> None:
    @app.post("/acceptance/steps/{step_id}/begin", include_in_schema=False)
    async def begin(request: Request, step_id: str) -> Response:
        return await pages.begin(request, step_id)

    @app.post("/acceptance/steps/{step_id}/leave-out", include_in_schema=False)
    async def skip(request: Request, step_id: str) -> Response:
        return await pages.skip(request, step_id)

    @app.post("/acceptance/steps/{step_id}/type-in", include_in_schema=False)
    async def enter_reading(request: Request, step_id: str) -> Response:
        return await pages.enter_reading(request, step_id)


_AGAIN_COMMISSIONING = 3
"""Seconds until the page is loaded again while the device is being asked or looked at."""
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
                    again=_AGAIN_COMMISSIONING if view.state == "working" or view.head else 0)

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
