"""The page of the reports: made on schedule or here, by a person who chooses the period."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from collector.web.access import HttpError
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

