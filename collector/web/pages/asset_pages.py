"""The page of one asset and of one point: last values, trends, the alarms in them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import FastAPI, Path
from starlette.requests import Request
from starlette.responses import HTMLResponse

from collector.domain.plant import Generator, Thing, Vent
from collector.domain.readings import point_kind, split_point
from collector.domain.trends import TrendStep
from collector.web.board_queries import asset_of, board_facts, occurrences_of, points_of, trends
from collector.web.http_errors import HttpError
from collector.web.render import page
from collector.web.services import BoardServices
from collector.web.views.board import board_view
from collector.web.views.labels import moment, shown_value
from collector.web.views.lists import Line, estimate_lines
from collector.web.views.trends import RangeView, read_range, strips, trend_plot

__all__ = ["AssetId", "AssetPages", "add_asset_pages"]

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
        return {
            "board": board, "asset": view,
            "alarms": [a for a in board.alarms if a.asset == asset.id
                       or a.asset.startswith(f"{asset.id}.")],
        }

    def _estimates(self, *assets: str) -> list[Line]:
        mine = [e for e in self._services.estimates() if e.asset in assets]
        return estimate_lines(mine, self._services.plant(), self._zone(),
                              self._services.clock.now())


_NO_TREND = ("count", "h")
"""Units of counters, whose trend is a straight line without information."""
_STATES = ("contact", "mode")
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
                    is_generator=isinstance(asset, Generator), is_vent=isinstance(asset, Vent))

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
        drawing = trend_plot(plant, self._services.settings(), point, steps, marks,
                             start=span.start, end=span.end, now=now, height=260)
        return page(request, "point.html", **await self._common(asset), span=span, point=point,
                    drawing=drawing, rows=self._rows(point, asset, rows, now))

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
