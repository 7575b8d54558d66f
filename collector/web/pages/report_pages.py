"""The page of the reports: made on schedule or here, by a person who chooses the period."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import os
import re
import stat
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

from fastapi import Depends, FastAPI
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from collector.domain.errors import QuietpipeError
from collector.people import Role
from collector.web.access import HttpError, require, visitor
from collector.web.api import read_day, read_form
from collector.web.render import page
from collector.web.services import BoardServices
from collector.web.views import moment

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
    maker = None if services.make_report is None else ReportMaker(services, services.make_report)
    if maker is not None:
        _add_maker(app, maker)

    @app.get("/reports", include_in_schema=False)
    async def listed(request: Request) -> HTMLResponse:
        reviews = await asyncio.to_thread(_reviews, folder)
        zone, now = ZoneInfo(services.plant().site.timezone), services.clock.now()
        return page(request, "reports.html", reviews=reviews[:_SHOWN], maker=maker,
                    more=len(reviews) - _SHOWN, when=lambda made: moment(made, zone, now),
                    again=_AGAIN if maker is not None and maker.running else 0)

    @app.get("/reports/{name}", include_in_schema=False)
    async def file(name: str) -> Response:
        found = _NAME.fullmatch(name)
        if found is None:
            raise _no_such()
        content = await asyncio.to_thread(_content, folder / name)
        return _as_page(content) if found["form"] == "html" else Response(content, headers={
            "content-type": "application/pdf",
            "content-disposition": f'attachment; filename="{name}"'})


_AGAIN = 3
"""Seconds after which the page is read again while a report is being made."""


class ReportMaker:
    """Makes one report at a time. ``failure`` says why the last one was not made."""

    def __init__(
        self, services: BoardServices, make: Callable[[int, int], Awaitable[None]],
    ) -> None:
        self._services, self._make = services, make
        self._record_event = services.record_event
        self._task: asyncio.Task[None] | None = None
        self.words, self.failure, self.since = "", "", 0

    def __repr__(self) -> str:
        return f"ReportMaker({'making ' + self.words if self.running else 'idle'})"

    @property
    def running(self) -> bool:
        """Whether one is being made."""
        return self._task is not None and not self._task.done()

    def start(self, first: date, last: date, by: str) -> None:
        """Begin to make the report of whole days; raises ``HttpError`` where it cannot be."""
        zone = ZoneInfo(self._services.plant().site.timezone)
        now = self._services.clock.now()
        start = read_day("from", first.isoformat(), zone) or 0
        end = read_day("to", last.isoformat(), zone, after=True) or 0
        if last < first or start >= now:
            raise HttpError(400, "The period must begin in the past and end after it begins.")
        if self.running:
            raise HttpError(409, f"The report of {self.words} is being made: wait for it.")
        self.words, self.failure, self.since = f"{first} to {last}", "", now
        self._task = asyncio.create_task(self._run(start, end), name="report")
        self._record_event("report-asked", f"A report of {self.words} was asked for by {by}.", {})

    async def _run(self, start: int, end: int) -> None:
        try:
            await self._make(start, end)
        except QuietpipeError as error:
            # The command's own hint on its options is of no use here.
            self.failure = str(error).removeprefix("quietpipe report: ").partition("; --")[0]


def _add_maker(app: FastAPI, maker: ReportMaker) -> None:
    """Add ``/reports/make``."""

    @app.post("/reports/make", include_in_schema=False,
              dependencies=[Depends(require(Role.RESPOND))])
    async def make(request: Request) -> Response:
        sent = await read_form(request)
        try:
            first, last = (date.fromisoformat(sent.text(n)) for n in ("from", "to"))
        except ValueError:
            raise HttpError(400, "Choose the first and the last day of the period.") from None
        maker.start(first, last, visitor(request).name or sent.text("by"))
        return RedirectResponse("/reports", status_code=303)


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

