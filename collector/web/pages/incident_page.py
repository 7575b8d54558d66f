"""The page of one occurrence of an alarm: its timeline, notes and photos."""

from __future__ import annotations

import asyncio
import io
import re
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import Depends, FastAPI
from fastapi import Path as FromPath
from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, RedirectResponse, Response

from collector.clock import format_instant
from collector.domain.events import AlarmTransition, Event, SystemEvent, Transition
from collector.domain.messages import measured_of, parts_of
from collector.domain.units import duration_text
from collector.files import write_whole
from collector.people import Role
from collector.web.access import HttpError, require, takes_files, visitor
from collector.web.api import read_form
from collector.web.pages import board_facts, sparklines
from collector.web.render import confirmed, page
from collector.web.services import BoardServices, Search
from collector.web.views import TRANSITION_WORDS, Line, location_of, title_of, when_of
from collector.web.views.alarms import facts_of
from collector.web.views.board import board_view

NOTE, PHOTO = "incident-note", "incident-photo"
"""Events: what a person wrote of an occurrence of an alarm, and a photo of it."""

LARGEST = 12 * 1024 * 1024
"""Bytes of a photo as it is sent; it is kept smaller."""
_LONGEST_SIDE, _PIXELS, _MOST = 1600, 50_000_000, 20
_FORMATS = ("JPEG", "PNG", "WEBP")
_TEXT = 500
_ID = re.compile(r"[a-z0-9-]{1,60}\.[A-Za-z0-9_.-]{1,120}\.\d{1,12}", re.ASCII)

Occurrence = Annotated[str, FromPath(max_length=200)]


def add_incident_page(app: FastAPI, services: BoardServices) -> None:
    """Add ``/incidents/{occurrence}``, its notes, and its photos where they have a folder."""
    pages = _Pages(services)
    respond = [Depends(require(Role.RESPOND))]
    app.get("/incidents/{occurrence}", include_in_schema=False)(pages.show)
    app.post("/incidents/{occurrence}/note", include_in_schema=False,
             dependencies=respond)(pages.add_note)
    if services.incidents is not None:
        @app.post("/incidents/{occurrence}/photo", include_in_schema=False, dependencies=respond)
        @takes_files(LARGEST)
        async def photo(request: Request, occurrence: Occurrence) -> Response:
            return await pages.photo(request, occurrence)

        app.get("/incidents/{occurrence}/photos/{number}", include_in_schema=False)(pages.picture)


class _Pages:
    def __init__(self, services: BoardServices) -> None:
        self._services = services
        self._record_event = services.record_event

    async def _events(self, occurrence: str) -> list[Event]:
        """Return every event of an occurrence, oldest first; raise ``HttpError`` (404) of none."""
        if _ID.fullmatch(occurrence) is None:
            raise HttpError(404, "There is no such alarm.")
        found = await self._services.past.find(
            Search(words=(f'"{occurrence}"',), alarms_only=False, limit=200))
        mine = [e for e in reversed(found) if _belongs(e, occurrence)]
        if not any(isinstance(e, AlarmTransition) for e in mine):
            raise HttpError(404, "There is no such alarm.")
        return mine

    async def show(self, request: Request, occurrence: Occurrence) -> HTMLResponse:
        events = await self._events(occurrence)
        services, facts = self._services, await board_facts(self._services, log=False)
        plant, now = facts.plant, facts.now
        zone = ZoneInfo(plant.site.timezone)
        raised = next((e for e in events if isinstance(e, AlarmTransition)
                       and e.transition is Transition.RAISED), None)
        first = raised or next(e for e in events if isinstance(e, AlarmTransition))
        board = board_view(facts)
        live = next((a for a in board.alarms if a.id == occurrence), None)
        title, where = title_of(first.condition), location_of(plant, first.asset)
        ended = next((e.time for e in events if isinstance(e, AlarmTransition)
                      and e.transition is Transition.RETURNED), None)
        return page(
            request, "incident.html", board=board, alarm=live, title=title, place=where,
            lines=[_line(e, zone, now, plant.site.units) for e in events], occurrence=occurrence,
            lasted=duration_text((ended if ended is not None else now) - first.since),
            ended=ended is not None, since=when_of(first.since, zone, now),
            facts=facts_of(first.text, title, where), checks=parts_of(first.text).checks,
            about=first.condition, photos=[e.values["number"] for e in events
                                           if isinstance(e, SystemEvent) and e.fact == PHOTO],
            may_photo=services.incidents is not None,
            sparks=await sparklines(services, [live]) if live is not None else {})

    async def add_note(self, request: Request, occurrence: Occurrence) -> Response:
        await self._events(occurrence)
        sent = await read_form(request)
        text = " ".join(sent.text("text").split())
        by = visitor(request).name or sent.text("by").strip()
        if not text or len(text) > _TEXT or not by:
            raise HttpError(400, f"Write a note of 1 to {_TEXT} characters.")
        self._record_event(NOTE, f"{by}: {text}", {"alarm": occurrence, "by": by})
        back = RedirectResponse(f"/incidents/{occurrence}", status_code=303)
        return confirmed(back, "Note kept.")

    async def photo(self, request: Request, occurrence: Occurrence) -> Response:
        events = await self._events(occurrence)
        taken = [e for e in events if isinstance(e, SystemEvent) and e.fact == PHOTO]
        if len(taken) >= _MOST:
            raise HttpError(409, f"{_MOST} photos are kept of one alarm at most.")
        async with request.form(max_files=1, max_fields=5) as form:
            sent = form.get("photo")
            content = await sent.read() if isinstance(sent, UploadFile) else b""
        number, by = len(taken) + 1, visitor(request).name
        await asyncio.to_thread(_keep, content, self._path(occurrence, number))
        self._record_event(PHOTO, f"{by} added photo {number}.", {
            "alarm": occurrence, "by": by, "number": str(number),
            "time": format_instant(self._services.clock.now())})
        back = RedirectResponse(f"/incidents/{occurrence}", status_code=303)
        return confirmed(back, "Photo kept.")

    def _path(self, occurrence: str, number: int) -> Path:
        assert self._services.incidents is not None
        return self._services.incidents / f"{occurrence}-{number}.jpg"

    async def picture(self, occurrence: Occurrence, number: int) -> Response:
        if _ID.fullmatch(occurrence) is None or not 0 < number <= _MOST:
            raise HttpError(404, "There is no such photo.")
        path = self._path(occurrence, number)
        if not await asyncio.to_thread(path.is_file):
            raise HttpError(404, "There is no such photo.")
        return FileResponse(path, media_type="image/jpeg")


def _belongs(event: Event, occurrence: str) -> bool:
    if isinstance(event, AlarmTransition):
        return event.id == occurrence
    return isinstance(event, SystemEvent) and event.values.get("alarm") == occurrence


def _line(event: Event, zone: ZoneInfo, now: int, units: str) -> Line:
    when = when_of(event.time, zone, now)
    if isinstance(event, AlarmTransition):
        who = f"by {event.by}" if event.by else ""
        measured = measured_of(event.values, units)
        said = [who, event.why, f"{measured.label} {measured.comparison}" if measured is not None
                and event.transition is Transition.RAISED else ""]
        return Line(when=when, what=TRANSITION_WORDS[event.transition].capitalize(),
                    more="; ".join(s for s in said if s),
                    good=event.transition is not Transition.RAISED)
    assert isinstance(event, SystemEvent)
    return Line(when=when, what="Note" if event.fact == NOTE else "Photo" if event.fact == PHOTO
                else event.fact.replace("-", " ").capitalize(), more=event.text)


def _keep(content: bytes, path: Path) -> None:
    """Write a photo as JPEG of at most 1600 px a side, without the camera's data (place, model).

    It is decoded and encoded again, so that nothing but the picture itself is kept. Raises
    ``HttpError`` (400) for what is no picture.
    """
    from PIL import Image, ImageOps, UnidentifiedImageError  # a third of a second: on first use

    try:
        with Image.open(io.BytesIO(content), formats=_FORMATS) as picture:
            if picture.width * picture.height > _PIXELS:
                raise HttpError(400, "The photo has too many pixels.")
            plain = ImageOps.exif_transpose(picture).convert("RGB")
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError) as error:
        raise HttpError(400, "That is no photo in JPEG, PNG or WebP.") from error
    plain.thumbnail((_LONGEST_SIDE, _LONGEST_SIDE))
    out = io.BytesIO()
    plain.save(out, "JPEG", quality=80)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, out.getvalue(), mode=0o640)
