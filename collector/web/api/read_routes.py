"""The routes that read: status, alarms, series, estimates, fills, windows, baselines, health."""

from __future__ import annotations

from typing import Annotated

from fastapi import FastAPI, Query
from starlette.responses import JSONResponse, Response

from collector.clock import format_instant
from collector.web.access import public
from collector.web.api import responses, schemas
from collector.web.api.action_routes import ERROR_RESPONSES
from collector.web.api.metrics import CONTENT_TYPE, Metrics
from collector.web.api.requests import read_span
from collector.web.http_errors import HttpError
from collector.web.liveness import Health, check_health, pace_of
from collector.web.services import BoardServices
from collector.web.views.board import by_urgency

__all__ = ["add_read_routes"]

_Time = Annotated[str | None, Query(max_length=64)]


def add_read_routes(app: FastAPI, services: BoardServices) -> None:
    """Add the routes that need the role ``look`` only."""
    _add_readings(app, services)
    _add_declared(app, services)
    _add_operations(app, services)


def _health(services: BoardServices) -> Health:
    return check_health(
        services.statistics(), services.clock.now(), pace_of(services.clock)
    )


def _add_readings(app: FastAPI, services: BoardServices) -> None:
    @app.get("/api/v1/status", summary="The state of the site")
    async def status() -> schemas.StatusResponse:
        return responses.status_response(services, _health(services), services.clock.now())

    @app.get("/api/v1/alarms", summary="Every alarm that is not in the normal state")
    async def alarms() -> schemas.AlarmsResponse:
        plant = services.plant()
        return schemas.AlarmsResponse(
            site=plant.site.id, time=format_instant(services.clock.now()),
            alarms=[responses.alarm_response(a, plant) for a in by_urgency(services.alarms())],
        )

    @app.get("/api/v1/series", summary="The trend of a point", response_model_by_alias=True,
             responses={code: ERROR_RESPONSES[400] for code in (400, 404)})
    async def series(
        point: Annotated[str, Query(min_length=1, max_length=200)],
        start: Annotated[str | None, Query(alias="from", max_length=64)] = None,
        to: _Time = None,
        every: _Time = None,
    ) -> schemas.SeriesResponse:
        unit = responses.unit_of(services.plant(), point)
        if unit is None:
            raise HttpError(404, "This site has no such point; expected <asset>.<quantity>, such "
                                 "as gen1.tank_pressure.")
        span = read_span(start, to, every, services.clock.now())
        steps = await services.trend(point, span.start, span.end, span.step)
        return responses.series_response(point, unit, span, list(steps))

    @app.get("/api/v1/estimates", summary="The latest estimate of every quantity")
    async def estimates() -> schemas.EstimatesResponse:
        return schemas.EstimatesResponse(
            site=services.plant().site.id,
            estimates=responses.estimate_responses(list(services.estimates())),
        )


def _add_declared(app: FastAPI, services: BoardServices) -> None:
    @app.get("/api/v1/fills", summary="Every declared fill, and the alarms it suppresses")
    async def fills() -> schemas.FillsResponse:
        plant = services.plant()
        return schemas.FillsResponse(
            site=plant.site.id, time=format_instant(services.clock.now()),
            fills=[responses.fill_response(f, plant) for f in services.fills()],
        )

    @app.get("/api/v1/windows", summary="Every active impairment and planned visit")
    async def windows() -> schemas.WindowsResponse:
        plant = services.plant()
        return schemas.WindowsResponse(
            site=plant.site.id, time=format_instant(services.clock.now()),
            windows=[responses.window_response(w, plant) for w in services.windows()],
        )

    @app.get("/api/v1/baselines", summary="Every baseline, learned or being learned")
    async def baselines() -> schemas.BaselinesResponse:
        plant = services.plant()
        return schemas.BaselinesResponse(
            site=plant.site.id, time=format_instant(services.clock.now()),
            baselines=[responses.baseline_response(b, plant) for b in services.baselines()],
        )


def _add_operations(app: FastAPI, services: BoardServices) -> None:
    metrics = Metrics(services)

    @app.get("/healthz", summary="Whether the monitor itself is alive",
             response_model=schemas.HealthResponse,
             responses={503: {"model": schemas.HealthResponse, "description": "not alive"}})
    @public
    async def healthz() -> Response:
        health = _health(services)
        answer = responses.health_response(health, services.statistics(), services.clock.now())
        return JSONResponse(answer.model_dump(), status_code=200 if health.alive else 503)

    @app.get("/metrics", summary="Metrics in OpenMetrics",
             responses={200: {"content": {"application/openmetrics-text": {}}}})
    async def scrape() -> Response:
        return Response(metrics.text(), headers={"content-type": CONTENT_TYPE})
