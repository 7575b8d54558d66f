"""The page of one thing and of one point: what it reads, what it did, the alarms marked on it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from fastapi import FastAPI, Path
from starlette.requests import Request
from starlette.responses import HTMLResponse

from collector.domain.plant import Generator, Thing, Vent
from collector.domain.readings import point_kind, split_point
from collector.domain.trends import TrendStep
from collector.web.compressor_page import CompressorPage
from collector.web.gathering import happened, points_of, thing_of, trends
from collector.web.purge_page import PurgePage
from collector.web.refusals import Refusal
from collector.web.render import page
from collector.web.services import BoardServices
from collector.web.thing_base import ThingId, ThingPages
from collector.web.trend_view import strips, trend_plot
from collector.web.words import moment, shown_value

__all__ = ["add_thing_pages"]

_NO_TREND = ("count", "h")
"""Units of counters: their trend is a straight line that tells nothing."""
_STATES = ("contact", "mode")
_ROWS = 32
"""Rows of figures beside the drawing of a single point, at most."""


def add_thing_pages(app: FastAPI, services: BoardServices) -> None:
    """Add them, with those of compressors and purges."""
    pages = _Pages(services)
    app.get("/things/{thing_id}", include_in_schema=False)(pages.thing)
    app.get("/points/{point}", include_in_schema=False)(pages.point)
    app.get("/things/{thing_id}/compressor",
            include_in_schema=False)(CompressorPage(services).page)
    app.get("/things/{thing_id}/purge", include_in_schema=False)(PurgePage(services).page)


class _Pages(ThingPages):
    async def thing(self, request: Request, thing_id: ThingId) -> HTMLResponse:
        thing, span = thing_of(self._services, thing_id), self._range(request)
        step = span.step()
        kinds = {p: point_kind(thing.kind, split_point(p)[1])
                 for p in points_of(self._services, thing)}
        points = [p for p, k in kinds.items() if k is not None and k.unit not in _NO_TREND]
        found = await trends(self._services, points, span.start, span.end, step)
        marks = await happened(self._services, thing, span.start, span.end)
        plant, now = self._services.plant(), self._services.clock.now()
        numbers = [p for p in points if kinds[p].unit not in _STATES]  # type: ignore[union-attr]
        drawings = [
            trend_plot(plant, p, found[p], marks, start=span.start, end=span.end, now=now)
            for p in numbers
        ]
        contacts = strips(plant, thing, {p: s for p, s in found.items() if p not in numbers},
                          start=span.start, end=span.end)
        return page(request, "thing.html", **await self._common(thing), span=span,
                    drawings=drawings, contacts=contacts, estimates=self._estimates(thing.id),
                    is_generator=isinstance(thing, Generator), is_vent=isinstance(thing, Vent))

    async def point(
        self, request: Request, point: Annotated[str, Path(max_length=200)],
    ) -> HTMLResponse:
        thing_id = point.rpartition(".")[0]
        thing = thing_of(self._services, thing_id)
        if point not in points_of(self._services, thing):
            raise Refusal(404, "This site has no such point.")
        span, plant, now = self._range(request), self._services.plant(), self._services.clock.now()
        steps = await self._services.trend(point, span.start, span.end, span.step())
        rows = await self._services.trend(point, span.start, span.end, span.step(_ROWS))
        marks = await happened(self._services, thing, span.start, span.end)
        drawing = trend_plot(plant, point, steps, marks, start=span.start, end=span.end, now=now,
                             height=260)
        return page(request, "point.html", **await self._common(thing), span=span, point=point,
                    drawing=drawing, rows=self._rows(point, thing, rows, now))

    def _rows(
        self, point: str, thing: Thing, steps: Sequence[TrendStep], now: int,
    ) -> list[tuple[str, list[str]]]:
        plant, quantity = self._services.plant(), split_point(point)[1]
        kind = point_kind(thing.kind, quantity)
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
