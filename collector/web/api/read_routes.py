"""The routes that read: status, alarms, series, estimates, fills, windows, baselines, health."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Annotated

from fastapi import FastAPI, Query
from prometheus_client import CollectorRegistry
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
)
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from collector.clock import format_instant
from collector.domain.actions import WindowKind
from collector.domain.readings import Quality, split_point
from collector.people import Role
from collector.web.access import HttpError, public, visitor
from collector.web.api import read_span, responses, schemas
from collector.web.api.action_routes import ERROR_RESPONSES
from collector.web.api.responses import unit_of
from collector.web.services import BoardServices, Health, check_health, pace_of
from collector.web.views.board import by_urgency

CONTENT_TYPE = CONTENT_TYPE_LATEST


class Metrics(Collector):
    """All metrics of one site. Names begin with ``quietpipe_``; values in units of record."""

    def __init__(self, services: BoardServices) -> None:
        self._services = services
        # A registry of our own: the library's default one is shared by the whole process.
        self._registry = CollectorRegistry(auto_describe=False)
        self._registry.register(self)

    def text(self) -> bytes:
        """Return the metrics in the text format of OpenMetrics."""
        return bytes(generate_latest(self._registry))  # type: ignore[no-untyped-call]

    def describe(self) -> list[Metric]:
        """Return no metric families: they are known only at a scrape."""
        return []

    def collect(self) -> Iterator[Metric]:
        """Yield every metric family."""
        now = self._services.clock.now()
        yield from self._about_collector(now)
        yield from self._about_points(now)
        yield from self._about_alarms()
        yield from self._about_devices(now)
        yield from self._about_forwards(now)
        yield from self._about_estimates()

    def _about_collector(self, now: int) -> Iterator[Metric]:
        s = self._services
        numbers = s.statistics()
        info = InfoMetricFamily("quietpipe", "The collector")
        info.add_metric((), {"version": s.version, "site": s.plant().site.id})
        yield info
        alive = check_health(numbers, now, pace_of(s.clock)).alive
        gauges = {
            "alive": ("1 when the rules run and the journal can write", float(alive)),
            "readings_waiting": ("Readings not yet in the journal", float(numbers.waiting)),
            "deliveries_waiting": ("Messages not yet sent", float(numbers.deliveries_waiting)),
            "impairments": ("Impairments in force", float(sum(
                w.kind is WindowKind.IMPAIRMENT for w in s.windows()))),
            "not_watched": ("Conditions of assets that are not monitored",
                            float(len(s.not_monitored()))),
        }
        if numbers.last_turn is not None:
            gauges["last_turn_age_seconds"] = (
                "Time since the rules last ran", (now - numbers.last_turn) / 1000)
        gauges |= {name: (name, value) for name, value in numbers.numbers.items()}
        for name, (doc, value) in gauges.items():
            yield GaugeMetricFamily(f"quietpipe_{name}", doc, value=value)
        for name, doc, count in (
            ("readings", "Readings received", numbers.readings),
            ("events", "Events journalled", numbers.events),
            ("commits", "Commits of the journal", numbers.commits),
            ("commit_failures", "Commits that failed", numbers.commit_failures),
            ("readings_dropped", "Readings dropped", numbers.dropped),
            ("deliveries_given_up", "Messages given up", numbers.deliveries_given_up),
        ):
            yield CounterMetricFamily(f"quietpipe_{name}", doc, value=count)

    def _about_points(self, now: int) -> Iterator[Metric]:
        plant = self._services.plant()
        labels = ("thing", "quantity", "unit")
        value = GaugeMetricFamily("quietpipe_reading", "Last good value", labels=labels)
        ages = GaugeMetricFamily("quietpipe_reading_age_seconds", "Age of the last good value",
                                 labels=labels)
        good = GaugeMetricFamily("quietpipe_reading_good", "1 when the last reading was good",
                                 labels=labels)
        for point, state in sorted(self._services.picture.points().items()):
            where = (*split_point(point), unit_of(plant, point) or "")
            good.add_metric(where, float(state.last.quality is Quality.GOOD))
            if state.last_good is not None and state.last_good.value is not None:
                value.add_metric(where, state.last_good.value)
                ages.add_metric(where, max(now - state.last_good.time, 0) / 1000)
        yield from (value, ages, good)

    def _about_alarms(self) -> Iterator[Metric]:
        live = GaugeMetricFamily(
            "quietpipe_alarms", "Alarms that are not in the normal state",
            labels=("condition", "asset", "state", "priority", "signal"),
        )
        counts = Counter(
            (a.condition, a.asset, a.state.value, a.priority.value, a.signal.value)
            for a in self._services.alarms()
        )
        for labels, count in sorted(counts.items()):
            live.add_metric(labels, count)
        yield live

    def _about_devices(self, now: int) -> Iterator[Metric]:
        label = ("device",)
        answering = GaugeMetricFamily("quietpipe_device_answering", "1 when it answers",
                                      labels=label)
        silence = GaugeMetricFamily("quietpipe_device_answer_age_seconds",
                                    "Time since its last answer", labels=label)
        polls = CounterMetricFamily("quietpipe_device_polls", "Polls", labels=label)
        failures = CounterMetricFamily("quietpipe_device_failures",
                                       "Failed polls", labels=label)
        for device in self._services.statistics().devices:
            where = (device.device,)
            answering.add_metric(where, float(device.answering))
            polls.add_metric(where, device.polls)
            failures.add_metric(where, device.failures)
            if device.last_answer is not None:
                silence.add_metric(where, max(now - device.last_answer, 0) / 1000)
        yield from (answering, silence, polls, failures)

    def _about_forwards(self, now: int) -> Iterator[Metric]:
        label = ("target",)
        forwards = self._services.statistics().forwards
        for name, doc, figures in (
            ("reachable", "1 when the last try succeeded", [float(f.reachable) for f in forwards]),
            ("behind_commits", "Commits not sent yet", [f.behind for f in forwards]),
            ("missing_commits", "Commits of an outage still to be sent",
             [f.missing for f in forwards]),
        ):
            gauge = GaugeMetricFamily(f"quietpipe_forward_{name}", doc, labels=label)
            for forward, figure in zip(forwards, figures, strict=True):
                gauge.add_metric((forward.target,), figure)
            yield gauge
        ages = GaugeMetricFamily("quietpipe_forward_sent_age_seconds",
                                 "Time since the last point was accepted", labels=label)
        for forward in forwards:
            if forward.last_sent is not None:
                ages.add_metric((forward.target,), max(now - forward.last_sent, 0) / 1000)
        yield ages
        for name, doc, figures in (
            ("sent", "Points accepted by the remote endpoint", [f.sent for f in forwards]),
            ("set_aside", "Dead letters", [f.dead_letters for f in forwards]),
            ("withheld", "Readings without a valid value", [f.withheld for f in forwards]),
            ("too_old", "Points older than the remote endpoint keeps",
             [f.too_old for f in forwards]),
            ("failed_tries", "Tries that failed", [f.failed_tries for f in forwards]),
            ("lost", "Readings and events deleted before they were sent",
             [f.lost for f in forwards]),
        ):
            counter = CounterMetricFamily(f"quietpipe_forward_{name}", doc, labels=label)
            for forward, figure in zip(forwards, figures, strict=True):
                counter.add_metric((forward.target,), figure)
            yield counter

    def _about_estimates(self) -> Iterator[Metric]:
        family = GaugeMetricFamily("quietpipe_estimate", "Latest estimate",
                                   labels=("quantity", "asset", "unit"))
        for estimate in self._services.estimates():
            if estimate.value is not None:
                family.add_metric((estimate.quantity, estimate.asset, estimate.unit),
                                  estimate.value)
        yield family


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
             response_model=schemas.SeriesResponse,
             responses={code: ERROR_RESPONSES[400] for code in (400, 404)})
    async def series(
        point: Annotated[str, Query(min_length=1, max_length=200)],
        start: Annotated[str | None, Query(alias="from", max_length=64)] = None,
        to: _Time = None,
        every: _Time = None,
        form: Annotated[str, Query(alias="format", max_length=8,
                                   description="json, or csv for a table")] = "json",
    ) -> schemas.SeriesResponse | Response:
        unit = responses.unit_of(services.plant(), point)
        if unit is None:
            raise HttpError(404, "This site has no such point; expected <asset>.<quantity>, such "
                                 "as gen1.tank_pressure.")
        if form not in ("json", "csv"):
            raise HttpError(400, "'format' is json or csv.")
        span = read_span(start, to, every, services.clock.now())
        steps = list(await services.trend(point, span.start, span.end, span.step))
        if form == "csv":
            return Response(responses.series_csv(point, unit, steps), headers={
                "content-type": "text/csv; charset=utf-8",
                "content-disposition": f'attachment; filename="{point}.csv"'})
        return responses.series_response(point, unit, span, steps)

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
            planned=[responses.window_response(w, plant) for w in services.planned()],
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
    async def healthz(request: Request) -> Response:
        health = _health(services)
        # A visitor who may not read learns whether it is alive, not what is out of service.
        answer = responses.health_response(
            health, services.statistics(), services.clock.now(),
            services if visitor(request).may(Role.LOOK) else None)
        return JSONResponse(answer.model_dump(), status_code=200 if health.alive else 503)

    @app.get("/metrics", summary="Metrics in OpenMetrics",
             responses={200: {"content": {"application/openmetrics-text": {}}}})
    async def scrape() -> Response:
        return Response(metrics.text(), headers={"content-type": CONTENT_TYPE})
