"""The hub's board and interface. Every route reads the fleet through ``_view`` only.

A site that the person may not see gets the reply of one that does not exist.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from fastapi import Depends, FastAPI, Query
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response, StreamingResponse

from collector import __version__
from collector.clock import Clock, format_instant
from collector.domain.conditions import CATALOGUE
from collector.domain.evaluations import COMPUTED
from collector.domain.events import AlarmTransition, EstimateMade, Event
from collector.domain.readings import Quantity
from collector.domain.units import DAY, duration_text
from collector.fleet import HubSettings
from collector.fleet import hub_queries as answers
from collector.fleet.hub_queries import QUESTIONS, Answer, answers_to, connection_state
from collector.fleet.hub_reader import FleetReader, FleetView, scope_of
from collector.fleet.hub_state import MetricState, SiteState
from collector.fleet.hub_trends import EstimateDay
from collector.web.access import AccessPolicy, HttpError, public, visitor
from collector.web.api import read_span
from collector.web.app import SecurityHeaders, add_error_handlers
from collector.web.pages.sign_in_pages import add_sign_in_pages
from collector.web.render import page, static_file
from collector.web.views import TRANSITION_WORDS, moment, shown_value
from collector.web.views.assets import STATE_LABELS

_SHOWN = 100
"""Sites listed on one page; the search finds the others."""
_UTC = ZoneInfo("UTC")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    address: str
    name: str
    where: str
    words: str
    detail: str = ""
    tone: str = "normal"


def fleet_page(
    request: Request, view: FleetView, now: int, newest: str | None, search: str,
) -> HTMLResponse:
    """Return the page of all sites that a person may see."""
    questions = [
        {"id": name, "words": words, "rows": [_row_of(f) for f in found[:_SHOWN]],
         "more": max(len(found) - _SHOWN, 0)}
        for name, words in QUESTIONS.items()
        for found in [answers_to(name, view, now, newest)]
    ]
    trouble = len({(r.address) for r in questions[0]["rows"]})  # type: ignore[attr-defined]
    silent = sum(s.silent is not None for s in view.sites())
    listed = view.search(search) if search.strip() else view.sites()
    return page(
        request, "hub.html", title=view.title, total=len(view), trouble=trouble, silent=silent,
        questions=questions, search=search, time=moment(now, _UTC, now),
        sites=[_site_row(s, view, now) for s in listed[:_SHOWN]],
        listed=len(listed), shown=min(len(listed), _SHOWN),
    )


def _address(state: SiteState) -> str:
    return f"/sites/{quote(state.group, safe='')}/{quote(state.site, safe='')}"


def _row_of(found: Answer) -> _Row:
    words = "; ".join(_title(a.condition) for a in found.alarms) or found.sentence
    return _Row(address=_address(found.state), name=found.state.name or found.state.site,
                where=found.asset if found.asset != found.state.site else "", words=words,
                detail=found.sentence if found.alarms and found.numbers.get("percent") else "",
                tone="not-normal" if found.alarms else "unsure")


def _title(condition: str) -> str:
    known = CATALOGUE.get(condition)
    return known.title if known is not None else condition


def _quantity(quantity: str) -> str:
    known = COMPUTED.get(quantity)
    return known.title if known is not None else quantity


def _site_row(state: SiteState, view: FleetView, now: int) -> _Row:
    alarms = sum(a.is_active for a in view.alarms(state))
    word = connection_state(state)
    heard = f"{state.key}, "
    heard += f"last report {duration_text(now - state.heard)} ago" if state.heard \
        else "no report yet"
    if state.behind:
        heard += f", {state.behind} commits behind"
    words = word if not alarms else f"{word}, {alarms} alarm{'s' if alarms > 1 else ''}"
    return _Row(address=_address(state), name=state.name or state.site, where="",
                words=words, detail=heard,
                tone="unsure" if word != "online" else "not-normal" if alarms else "normal")


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteFacts:
    """The data of one site's page."""

    state: SiteState
    events: Sequence[Event]
    """Newest first."""
    estimates: Sequence[EstimateDay]


def site_page(request: Request, view: FleetView, facts: SiteFacts, now: int) -> HTMLResponse:
    state = facts.state
    try:
        zone = ZoneInfo(state.timezone)
    except (KeyError, ValueError, OSError):  # what a site says of itself is not to be trusted
        zone = _UTC
    alarms = [
        {"title": _title(a.condition), "asset": a.asset, "priority": a.priority,
         "signal": a.signal, "since": moment(a.since, zone, now), "text": a.text,
         "state": "active" if a.is_active else "suppressed" if a.has("present")
         else "returned to normal",
         "acknowledged": a.has("acknowledged")}
        for a in view.alarms(state)
    ]
    return page(
        request, "hub_site.html", state=state, word=connection_state(state), alarms=alarms,
        heard=duration_text(max(now - state.heard, 0)) if state.heard else "", zone=str(zone),
        time=moment(now, zone, now), title=state.name or state.site,
        things=[_thing(state, thing, now) for thing in sorted(state.things)],
        estimates=[(_quantity(e.quantity), e) for e in facts.estimates if e.value is not None],
        events=[(moment(e.time, zone, now), _event_text(e)) for e in facts.events],
    )


def _thing(state: SiteState, thing: str, now: int) -> dict[str, object]:
    return {
        "id": thing, "kind": state.kinds.get(thing, ""), "answers": thing not in state.dead,
        "readings": [_reading(state, name, metric, now)
                     for name, metric in state.things[thing].items()],
    }


def _reading(state: SiteState, name: str, metric: MetricState, now: int) -> dict[str, object]:
    value, unit = str(metric.value) if metric.value is not None else "–", metric.unit
    if isinstance(metric.value, bool) or isinstance(metric.value, float) and unit:
        kind = Quantity(unit="contact" if isinstance(metric.value, bool) else unit, label="")
        shown = shown_value(float(metric.value), name, kind, state.units)
        value, unit = shown.text, shown.unit
    elif unit in ("mode", "contact"):
        unit = ""
    return {"label": STATE_LABELS.get(name, metric.label or name), "value": value, "unit": unit,
            "age": duration_text(max(now - metric.time, 0)) if metric.time else "never",
            "good": metric.quality == 192 and state.online}


def _event_text(event: Event) -> str:
    if isinstance(event, AlarmTransition):
        return f"{_title(event.condition)} at {event.asset}: {TRANSITION_WORDS[event.transition]}"
    if isinstance(event, EstimateMade):
        value = "none" if event.value is None else f"{event.value:.3g} {event.unit}"
        return f"{_quantity(event.quantity)} of {event.asset}: {value}"
    return event.text


_KINDS = {"board.css": "text/css; charset=utf-8", "hub.css": "text/css; charset=utf-8",
          "mark.svg": "image/svg+xml"}
_STREAM_EVERY = 2.0
_STREAMS = 50
"""Open streams at most: each holds a connection."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HubServices:
    """The functions and data that the hub's board works with.

    ``figures`` are the hub's own, for staff.
    """

    settings: HubSettings
    reader: FleetReader
    access: AccessPolicy
    clock: Clock
    figures: Callable[[], Mapping[str, float]]
    healthy: Callable[[], Sequence[str]]
    """The groups that are not served as they should be; empty when the hub is well."""
    record_event: Callable[[str, str, Mapping[str, str]], None] = lambda fact, text, values: None


def create_hub(services: HubServices) -> FastAPI:
    """Build the hub's board. Nothing is read before the first request."""
    app = FastAPI(
        title="quietpipe hub", version=__version__, docs_url=None, redoc_url=None,
        redirect_slashes=False,
        description="Many sites at a glance. Each person sees their own sites only.",
        dependencies=[Depends(services.access.admit)],
    )
    # What every page of a board asks; the fleet has no windows of its own.
    app.state.site_name = lambda: services.settings.name
    app.state.active_windows = lambda: ()
    app.add_middleware(SecurityHeaders, is_secure=services.access.is_secure)
    add_error_handlers(app)
    add_sign_in_pages(app, services)
    routes = _Routes(services)
    app.get("/api/v1/sites", response_model=None)(routes.sites)
    app.get("/api/v1/sites/{group}/{site}", response_model=None)(routes.site)
    app.get("/api/v1/alarms", response_model=None)(routes.alarms)
    app.get("/api/v1/events", response_model=None)(routes.events)
    app.get("/api/v1/dead-letters", response_model=None)(routes.dead_letters)
    app.get("/api/v1/search", response_model=None)(routes.search)
    app.get("/api/v1/questions/{question}", response_model=None)(routes.question)
    app.get("/api/v1/stream", response_model=None)(routes.stream)
    app.get("/", include_in_schema=False)(routes.board)
    app.get("/sites/{group}/{site}", include_in_schema=False)(routes.page)
    app.get("/metrics", include_in_schema=False)(routes.metrics)
    app.get("/healthz", include_in_schema=False)(routes.healthz)
    app.get("/static/{name}", include_in_schema=False)(routes.static)
    return app


class _Routes:
    def __init__(self, services: HubServices) -> None:
        self._services = services
        self._streams = 0

    async def _view(self, request: Request) -> FleetView:
        """Return the visitor's view, the only way from a route to the fleet."""
        s = self._services
        facts = await asyncio.to_thread(s.reader.facts, s.clock.now())
        return FleetView(facts, scope_of(visitor(request).name, s.settings))

    async def _site(self, request: Request, group: str, site: str) -> tuple[FleetView, SiteState]:
        view = await self._view(request)
        state = view.site(group, site)
        if state is None:
            raise HttpError(404, "There is no such site.")
        return view, state

    # -- the interface ---------------------------------------------------------------------------

    async def sites(self, request: Request) -> Response:
        """Return every site in short form."""
        view = await self._view(request)
        return JSONResponse({"time": format_instant(self._services.clock.now()),
                             "sites": [answers.overview(s, view) for s in view.sites()]})

    async def site(self, request: Request, group: str, site: str) -> Response:
        """Return one site with all its current data."""
        view, state = await self._site(request, group, site)
        estimates = await asyncio.to_thread(self._services.reader.estimates, group, site)
        return JSONResponse(answers.site_answer(state, view, estimates))

    async def alarms(self, request: Request) -> Response:
        """Return every active alarm."""
        view = await self._view(request)
        return JSONResponse({"alarms": [
            {"group": s.group, "site": s.site, "name": s.name, **answers.alarm_answer(a)}
            for s in view.sites() for a in view.alarms(s)
        ]})

    async def events(
        self, request: Request,
        site: Annotated[str | None, Query(max_length=200)] = None,
        start: Annotated[str | None, Query(alias="from", max_length=64)] = None,
        to: Annotated[str | None, Query(max_length=64)] = None,
        limit: Annotated[int, Query(ge=1, le=1000)] = 200,
    ) -> Response:
        """Return the newest events; of one site with ``site=GROUP/SITE``."""
        view = await self._view(request)
        span = read_span(start, to, None, self._services.clock.now())
        if site is not None and view.site(*site.partition("/")[::2]) is None:
            raise HttpError(404, "There is no such site.")
        found = await asyncio.to_thread(
            self._services.reader.events,
            lambda g, s: view.site(g, s) is not None and site in (None, f"{g}/{s}"),
            span.start, span.end, limit,
        )
        return JSONResponse({"events": [answers.event_answer(g, e) for g, e in found]})

    async def dead_letters(self, request: Request) -> Response:
        """Return messages that were not accepted, newest first, with the reason; for staff."""
        view = await self._view(request)
        if not view.staff:
            raise HttpError(404, "There is nothing at this address.")
        found = await asyncio.to_thread(self._services.reader.dead_letters)
        return JSONResponse({"dead_letters": [answers.dead_letter_answer(*one) for one in found]})

    async def search(
        self, request: Request, q: Annotated[str, Query(min_length=1, max_length=100)],
    ) -> Response:
        """Return the sites whose name, id or group contains every word."""
        view = await self._view(request)
        return JSONResponse({"sites": [answers.overview(s, view) for s in view.search(q)[:200]]})

    async def question(self, request: Request, question: str) -> Response:
        """Return the sites that answer one of the questions, worst first."""
        view = await self._view(request)
        if question not in answers.QUESTIONS:
            raise HttpError(404, "There is no such question; there are "
                               f"{', '.join(answers.QUESTIONS)}.")
        found = answers.answers_to(question, view, self._services.clock.now(),
                                   self._services.settings.newest)
        return JSONResponse({"question": answers.QUESTIONS[question],
                             "sites": [answers.answer_of(f) for f in found]})

    async def stream(self, request: Request) -> Response:
        """Send changes of sites as server-sent events."""
        await self._view(request)
        if self._streams >= _STREAMS:
            raise HttpError(503, "Too many are watching just now. Ask the interface instead.")
        return StreamingResponse(self._changes(request), media_type="text/event-stream")

    async def _changes(self, request: Request) -> AsyncIterator[str]:
        shown: dict[str, Any] = {}
        self._streams += 1
        try:
            while not await request.is_disconnected():
                # Read again each time: a session that has ended, or a customer that has lost a
                # site, must not go on seeing it.
                if not self._still_in(request):
                    return
                view = await self._view(request)
                new = {s.key: answers.overview(s, view) for s in view.sites()}
                for key, site in new.items():
                    if _without_time(shown.get(key)) != _without_time(site):
                        yield f"event: site\ndata: {json.dumps(site)}\n\n"
                yield ": here\n\n"
                shown = new
                await asyncio.sleep(_STREAM_EVERY)
        finally:
            self._streams -= 1

    def _still_in(self, request: Request) -> bool:
        access = self._services.access
        return access.sessions.find(request.cookies.get(access.cookie(request), "")) is not None

    # -- pages -----------------------------------------------------------------------------------

    async def board(
        self, request: Request, q: Annotated[str, Query(max_length=100)] = "",
    ) -> HTMLResponse:
        view = await self._view(request)
        s = self._services
        return fleet_page(request, view, s.clock.now(), s.settings.newest, q)

    async def page(self, request: Request, group: str, site: str) -> HTMLResponse:
        view, state = await self._site(request, group, site)
        now = self._services.clock.now()
        events = await asyncio.to_thread(
            self._services.reader.events, lambda g, s: f"{g}/{s}" == state.key,
            now - 7 * DAY, now + 1, 60)
        estimates = await asyncio.to_thread(self._services.reader.estimates, group, site)
        return site_page(request, view, SiteFacts(
            state=state, events=[e for _, e in events], estimates=estimates), now)

    async def metrics(self, request: Request) -> Response:
        view = await self._view(request)
        if not view.staff:
            raise HttpError(404, "There is nothing at this address.")
        lines = [f"quietpipe_hub_{name} {value:g}"
                 for name, value in self._services.figures().items()]
        return Response("\n".join([*lines, "# EOF", ""]), headers={
            "content-type": "application/openmetrics-text; version=1.0.0; charset=utf-8"})

    @public
    async def healthz(self) -> Response:
        groups = self._services.healthy()
        return JSONResponse({"alive": False, "groups": list(groups)} if groups
                            else {"alive": True}, status_code=503 if groups else 200)

    @public
    async def static(self, request: Request, name: str) -> Response:
        if name not in _KINDS:
            raise HttpError(404, "There is nothing at this address.")
        content, digest = static_file(name)
        kept = request.query_params.get("v") == digest
        return Response(content, headers={
            "content-type": _KINDS[name],
            "cache-control": "public, max-age=31536000, immutable" if kept else "no-cache"})


def _without_time(site: dict[str, Any] | None) -> dict[str, Any] | None:
    return {k: v for k, v in site.items() if k not in ("heard", "behind")} if site else None
