"""The pages of a commissioning and of an acceptance, on the records of the command line."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import os
import re
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

from fastapi import Depends, FastAPI
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, RedirectResponse, Response

from collector.acceptance import (
    AcceptanceService,
    Record,
    RecordError,
    Result,
    SiteUnits,
    Size,
    StepState,
)
from collector.domain.conditions import CAUTIONS
from collector.domain.units import plain_number
from collector.people import Role
from collector.plots import draw
from collector.web.access import HttpError, changes_need, require, visitor
from collector.web.api import ActionRequest, read_form
from collector.web.render import page
from collector.web.services import BoardServices
from collector.web.views import moment
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
            text = str(refused)
            raise HttpError(409, text[:1].upper() + text[1:].rstrip(".") + ".") from refused

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
                    sizes=[s.value for s in Size], people=range(1, _PEOPLE + 1),
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
        await self.work(lambda: self._service.open(by=by, size=Size(size), now=now))
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


_NAME = re.compile(r"(?P<review>[A-Za-z0-9][A-Za-z0-9._-]{0,99}-(?P<first>\d{4}-\d\d-\d\d)-"
                   r"(?P<last>\d{4}-\d\d-\d\d))\.(?P<form>html|pdf)", re.ASCII)
_SHOWN = 200
_LARGEST = 64 << 20
_STYLE = re.compile(rb"<style>(.*?)</style>", re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Review:
    """One period: ``forms`` holds the size of each file in kB; ``made`` is ms."""

    name: str
    first: date
    last: date
    made: int
    forms: dict[str, int] = field(default_factory=dict)

    @property
    def words(self) -> str:
        """The period in words."""
        ends = [f"{d.day} {d:%B %Y}" for d in (self.first, self.last)]
        return ends[0] if self.first == self.last else " to ".join(ends)


def add_report_page(app: FastAPI, services: BoardServices) -> None:
    """Add ``/reports`` and the files; nothing without a folder of reports."""
    folder = services.reports
    if folder is None:
        return

    @app.get("/reports", include_in_schema=False)
    async def listed(request: Request) -> HTMLResponse:
        reviews = await asyncio.to_thread(_reviews, folder)
        zone, now = ZoneInfo(services.plant().site.timezone), services.clock.now()
        return page(request, "reports.html", reviews=reviews[:_SHOWN],
                    more=len(reviews) - _SHOWN, when=lambda made: moment(made, zone, now))

    @app.get("/reports/{name}", include_in_schema=False)
    async def file(name: str) -> Response:
        found = _NAME.fullmatch(name)
        if found is None:
            raise _no_such()
        content = await asyncio.to_thread(_content, folder / name)
        return _as_page(content) if found["form"] == "html" else Response(content, headers={
            "content-type": "application/pdf",
            "content-disposition": f'attachment; filename="{name}"'})


def _no_such() -> HttpError:
    return HttpError(404, "There is no such report.")


def _reviews(folder: Path) -> list[_Review]:
    """Return the reports in the folder, latest period first."""
    found: dict[str, _Review] = {}
    for match, size, changed in _files(folder):
        name, made = match["review"], int(changed * 1000)
        try:
            one = found.setdefault(name, _Review(
                name=name, made=made, first=date.fromisoformat(match["first"]),
                last=date.fromisoformat(match["last"])))
        except ValueError:
            continue  # not a date: not a report's name
        one.forms[match["form"]] = -(-size // 1000)
    return sorted(found.values(), key=lambda r: (r.last, r.first, r.name), reverse=True)


def _files(folder: Path) -> Iterator[tuple[re.Match[str], int, float]]:
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                match = _NAME.fullmatch(entry.name)
                if match is not None and entry.is_file(follow_symlinks=False):
                    about = entry.stat(follow_symlinks=False)
                    yield match, about.st_size, about.st_mtime
    except FileNotFoundError:
        return  # the folder is made with the first report
    except OSError as error:
        raise HttpError(503, f"The reports cannot be read: {error.strerror}.") from error


def _content(path: Path) -> bytes:
    """Read a regular file of the folder; anything else is refused (404)."""
    try:
        number = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        with os.fdopen(number, "rb") as file:
            about = os.fstat(number)
            if not stat.S_ISREG(about.st_mode) or about.st_size > _LARGEST:
                raise _no_such()
            return file.read(_LARGEST)
    except OSError as error:
        raise _no_such() from error


def _as_page(content: bytes) -> Response:
    style = _STYLE.search(content)
    digest = base64.b64encode(hashlib.sha256(style[1] if style else b"").digest()).decode()
    return Response(content, headers={
        "content-type": "text/html; charset=utf-8",
        # Its own style sheet by its digest, and nothing else: no script, form, frame or address.
        "content-security-policy": (
            f"default-src 'none'; style-src 'sha256-{digest}'; form-action 'none'; "
            "base-uri 'none'; frame-ancestors 'none'; sandbox"
        ),
    })


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
