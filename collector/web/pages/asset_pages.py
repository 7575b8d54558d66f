"""The page of one asset and of one point: last values, trends, the alarms in them."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import FastAPI, Path
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from collector.domain.errors import QuietpipeError
from collector.domain.messages import DeliveryState
from collector.domain.plant import Generator, Thing, Vent
from collector.domain.readings import TrendStep, point_kind, split_point
from collector.plots import Band
from collector.survey import Deliveries, Survey, make_survey, measured
from collector.web.access import HttpError, public
from collector.web.pages import (
    asset_of,
    board_facts,
    occurrences_of,
    points_of,
    sparklines,
    trends,
)
from collector.web.render import page, static_file
from collector.web.services import BoardServices
from collector.web.views import BoardFacts, Line, estimate_lines, moment, shown_value, when_of
from collector.web.views.assets import branches
from collector.web.views.board import board_view
from collector.web.views.trends import RangeView, read_range, strips, trend_plot

AssetId = Annotated[str, Path(max_length=200)]


class AssetPages:
    """Base of the pages of one asset: collects what each of them shows."""

    def __init__(self, services: BoardServices) -> None:
        self._services = services

    def _zone(self) -> ZoneInfo:
        return ZoneInfo(self._services.plant().site.timezone)

    def _range(self, request: Request, default: str = "1d") -> RangeView:
        return read_range(request.query_params, self._services.clock.now(), self._zone(),
                          default=default)

    async def _common(self, asset: Thing) -> Any:
        board = board_view(await board_facts(self._services, log=False))
        view = next(t for t in board.assets if t.id == asset.id)
        alarms = [a for a in board.alarms if a.asset == asset.id
                  or a.asset.startswith(f"{asset.id}.")]
        return {"board": board, "asset": view, "alarms": alarms,
                "sparks": await sparklines(self._services, alarms)}

    def _estimates(self, *assets: str) -> list[Line]:
        mine = [e for e in self._services.estimates() if e.asset in assets]
        return estimate_lines(mine, self._services.plant(), self._zone(),
                              self._services.clock.now())


_NO_TREND = ("count", "h")
"""Units of counters, whose trend is a straight line without information."""
_STATES = ("contact", "mode")
_CAUTIONS = {"generator": "compressor", "vent": "oxygen", "room": "oxygen"}
_WIDE = 1040
_ROWS = 32
"""Most rows of the table below the plot of a single point."""


def add_asset_pages(app: FastAPI, services: BoardServices) -> None:
    """Add ``/things/{asset_id}`` and ``/points/{point}``."""
    pages = _Pages(services)
    app.get("/things/{asset_id}", include_in_schema=False)(pages.asset)
    app.get("/points/{point}", include_in_schema=False)(pages.point)


class _Pages(AssetPages):
    async def asset(self, request: Request, asset_id: AssetId) -> HTMLResponse:
        asset, span = asset_of(self._services, asset_id), self._range(request)
        step = span.step()
        kinds = {p: point_kind(asset.kind, split_point(p)[1])
                 for p in points_of(self._services, asset)}
        points = [p for p, k in kinds.items() if k is not None and k.unit not in _NO_TREND]
        found = await trends(self._services, points, span.start, span.end, step)
        marks = await occurrences_of(self._services, asset, span.start, span.end)
        plant, now = self._services.plant(), self._services.clock.now()
        numbers = [p for p in points if kinds[p].unit not in _STATES]  # type: ignore[union-attr]
        drawings = [
            trend_plot(plant, self._services.settings(), p, found[p], marks, start=span.start,
                       end=span.end, now=now)
            for p in numbers
        ]
        contacts = strips(plant, asset, {p: s for p, s in found.items() if p not in numbers},
                          start=span.start, end=span.end)
        return page(request, "asset.html", **await self._common(asset), span=span,
                    drawings=drawings, contacts=contacts, estimates=self._estimates(asset.id),
                    is_generator=isinstance(asset, Generator), is_vent=isinstance(asset, Vent),
                    caution=_CAUTIONS.get(asset.kind, ""))

    async def point(
        self, request: Request, point: Annotated[str, Path(max_length=200)],
    ) -> HTMLResponse:
        asset_id = point.rpartition(".")[0]
        asset = asset_of(self._services, asset_id)
        if point not in points_of(self._services, asset):
            raise HttpError(404, "This site has no such point.")
        span, plant, now = self._range(request), self._services.plant(), self._services.clock.now()
        steps = await self._services.trend(point, span.start, span.end, span.step())
        rows = await self._services.trend(point, span.start, span.end, span.step(_ROWS))
        marks = await occurrences_of(self._services, asset, span.start, span.end)
        others = self._alike(point)
        other = request.query_params.get("with", "")
        before = request.query_params.get("before", "")
        drawing = trend_plot(
            plant, self._services.settings(), point, steps, marks, start=span.start, end=span.end,
            now=now, height=260, wide=_WIDE, beside=await self._beside(
                span, point, other if other in dict(others) else "", before=bool(before)))
        return page(request, "point.html", **await self._common(asset), span=span, point=point,
                    drawing=drawing, rows=self._rows(point, asset, rows, now), others=others,
                    other=other, before=before, zone=plant.site.timezone)

    def _alike(self, point: str) -> list[tuple[str, str]]:
        """Return the points in the same unit, with their names: what it can be compared with."""
        plant = self._services.plant()
        unit = self._unit(point)
        found = []
        for thing in plant.things():
            for name in points_of(self._services, thing):
                kind = point_kind(thing.kind, split_point(name)[1])
                if name != point and kind is not None and kind.unit == unit:
                    found.append((name, f"{thing.name}, {kind.label}"))
        return found

    def _unit(self, point: str) -> str:
        owner, quantity = split_point(point)
        thing = self._services.plant().thing(owner)
        kind = point_kind(thing.kind, quantity) if thing is not None else None
        return "" if kind is None else kind.unit

    async def _beside(
        self, span: RangeView, point: str, other: str, *, before: bool,
    ) -> list[Band]:
        """Return the series drawn beside a point's own: another point, or the period before."""
        bands, length = [], span.end - span.start
        if other:
            steps = await self._services.trend(other, span.start, span.end, span.step())
            bands.append(Band(label=dict(self._alike(point))[other], steps=steps))
        if before:
            earlier = await self._services.trend(point, span.start - length, span.start,
                                                 span.step())
            bands.append(Band(label="the period before", steps=[
                replace(s, start=s.start + length, end=s.end + length) for s in earlier]))
        return bands

    def _rows(
        self, point: str, asset: Thing, steps: Sequence[TrendStep], now: int,
    ) -> list[tuple[str, list[str]]]:
        plant, quantity = self._services.plant(), split_point(point)[1]
        kind = point_kind(asset.kind, quantity)
        assert kind is not None
        zone = self._zone()

        def cell(value: float | None) -> str:
            if value is None:
                return "–"
            if kind.unit in ("contact", "mode"):
                return f"{value:.2f}"
            return " ".join(shown_value(value, quantity, kind, plant.site.units)).strip()

        return [(moment(s.start, zone, now), [cell(s.low), cell(s.mean), cell(s.high)])
                for s in reversed(steps)]


_KINDS = {
    "board.css": "text/css; charset=utf-8",
    "board.js": "text/javascript; charset=utf-8",
    "follow.js": "text/javascript; charset=utf-8",
    "trend.js": "text/javascript; charset=utf-8",
    "mark.svg": "image/svg+xml",
}
SHOWN = 3
"""Alarms that the overview shows whole; a link leads to the others."""
_DELIVERIES = 20
_DELIVERY_WORDS = {
    DeliveryState.WAITING: "waiting", DeliveryState.BEGUN: "being sent",
    DeliveryState.DELIVERED: "delivered", DeliveryState.GIVEN_UP: "given up",
    DeliveryState.UNCERTAIN: "cut off twice, may have arrived",
    DeliveryState.FOLDED: "named in one message with others",
}


def add_site_pages(app: FastAPI, services: BoardServices) -> None:
    """Add the overview, work, health, the handbook and the static files."""
    @app.get("/", include_in_schema=False)
    async def overview(request: Request) -> HTMLResponse:
        known = await board_facts(services)
        board = board_view(known)
        piped, others = branches(known.plant, board.assets, known.points)
        shown = [a for a in board.alarms if a.needs_action][:SHOWN]
        return page(request, "overview.html", board=board, piped=piped, others=others,
                    shown=shown, sparks=await sparklines(services, shown))

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
            "late": None if one.lateness_middle is None
            else f"{one.lateness_middle / 1000 / facts.pace:.1f} s",
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
    async def explain(request: Request, name: str) -> Response:
        picture = services.handbook_picture(name)
        return handbook(request, name) if picture is None else Response(
            picture, media_type="image/png")


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
