"""The routes. Each asks the services, hands the facts to a pure view, and writes the answer."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, FastAPI, Query
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from collector.clock import format_instant
from collector.domain.errors import QuietpipeError
from collector.web import answers, fill_answers, pages, signing, window_answers
from collector.web.acceptance import add_acceptance
from collector.web.alarm_pages import add_alarm_pages
from collector.web.asks import local_path, read_span
from collector.web.deeds import PROBLEMS, add_deeds
from collector.web.door import CAME, public
from collector.web.guard import Guard
from collector.web.health import Health, judge_health, pace_of
from collector.web.links import add_links
from collector.web.live import add_live
from collector.web.metrics import CONTENT_TYPE, Metrics
from collector.web.refusals import AskedFromElsewhere, Refusal, SignInFirst
from collector.web.render import page
from collector.web.report_pages import add_reports
from collector.web.services import BoardServices
from collector.web.survey import add_survey
from collector.web.thing_pages import add_thing_pages
from collector.web.windows import add_windows, standing_lines

__all__ = ["add_refusals", "create_app"]

_Time = Annotated[str | None, Query(max_length=64)]


def create_app(services: BoardServices) -> FastAPI:
    """Build the board and its interface. Nothing is asked of ``services`` until a request comes."""
    app = FastAPI(
        title="quietpipe", version=services.version, docs_url=None, redoc_url=None,
        description="Reads what the watch over one site knows; acknowledges and shelves alarms, "
                    "declares fills, impairments and visits, resets baselines. It never reaches "
                    "a device.",
        # Before every route, also those that other modules add: what is new is shut, not open.
        dependencies=[Depends(services.door.admit)],
    )
    app.state.site_name = lambda: services.plant().site.name
    app.state.standing = standing_lines(services)
    app.add_middleware(Guard)
    add_refusals(app)
    _add_readings(app, services)
    _add_operations(app, services)
    _add_standing(app, services)
    add_deeds(app, services)
    add_links(app, services)
    add_windows(app, services)
    add_survey(app, services)
    add_acceptance(app, services)
    add_reports(app, services)
    signing.add_signing(app, services)
    add_live(app, services.live, services.door)
    pages.add_pages(app, services)
    add_thing_pages(app, services)
    add_alarm_pages(app, services)
    return app


def _health(services: BoardServices) -> Health:
    return judge_health(
        services.statistics(), services.clock.now(), pace_of(services.clock)
    )


def _refuse(
    request: Request, status: int, sentence: str, retry_after: int | None = None,
) -> Response:
    headers = {"www-authenticate": "Bearer"} if status == 401 else {}
    if retry_after is not None:
        headers["retry-after"] = str(retry_after)
    if getattr(request.state, "from_form", False) or (
        request.method == "GET" and "text/html" in request.headers.get("accept", "")
    ):
        return page(request, "refusal.html", status=status, headers=headers, sentence=sentence,
                    here="/")
    return JSONResponse({"error": sentence}, status_code=status, headers=headers)


def add_refusals(app: FastAPI) -> None:
    """Let every error answer in a sentence, as a page or as JSON."""
    @app.exception_handler(Refusal)
    async def refused(request: Request, refusal: Refusal) -> Response:
        return _refuse(request, refusal.status, refusal.sentence, refusal.retry_after)

    @app.exception_handler(SignInFirst)
    async def sign_in(request: Request, first: SignInFirst) -> Response:
        return RedirectResponse(f"/sign-in?next={first.back}", status_code=303)

    @app.exception_handler(AskedFromElsewhere)
    async def lead_on(request: Request, asked: AskedFromElsewhere) -> Response:
        query = f"?{request.url.query}" if request.url.query else ""
        answer = page(request, "again.html", to=local_path(f"{request.url.path}{query}", "/"))
        answer.set_cookie(CAME, "1", max_age=5, httponly=True, samesite="lax", path="/")
        return answer

    @app.exception_handler(QuietpipeError)
    async def failed(request: Request, error: QuietpipeError) -> Response:
        return _refuse(request, 503, f"That could not be had just now: {error}")

    @app.exception_handler(RequestValidationError)
    async def invalid(request: Request, error: RequestValidationError) -> Response:
        parts = [f"'{e['loc'][-1]}': {e['msg'][:1].lower()}{e['msg'][1:]}" for e in error.errors()]
        return _refuse(request, 422, "; ".join(parts) + ".")

    @app.exception_handler(HTTPException)
    async def missed(request: Request, error: HTTPException) -> Response:
        sentence = {
            404: "There is nothing at this address.",
            405: "This address does not take that kind of request.",
        }.get(error.status_code, str(error.detail))
        response = _refuse(request, error.status_code, sentence)
        response.headers.update(error.headers or {})
        return response


def _add_readings(app: FastAPI, services: BoardServices) -> None:
    @app.get("/api/v1/status", summary="The site at a glance")
    async def status() -> answers.StatusAnswer:
        return answers.status_answer(services, _health(services), services.clock.now())

    @app.get("/api/v1/alarms", summary="Every alarm that is not plainly normal")
    async def alarms() -> answers.AlarmsAnswer:
        plant = services.plant()
        return answers.AlarmsAnswer(
            site=plant.site.id, time=format_instant(services.clock.now()),
            alarms=[answers.alarm_answer(a, plant) for a in pages.in_order(services.alarms())],
        )

    @app.get("/api/v1/series", summary="What a point did", response_model_by_alias=True,
             responses={code: PROBLEMS[400] for code in (400, 404)})
    async def series(
        point: Annotated[str, Query(min_length=1, max_length=200)],
        start: Annotated[str | None, Query(alias="from", max_length=64)] = None,
        to: _Time = None,
        every: _Time = None,
    ) -> answers.SeriesAnswer:
        unit = answers.unit_of(services.plant(), point)
        if unit is None:
            raise Refusal(404, "This site has no such point; expected <thing>.<quantity>, such as "
                               "gen1.tank_pressure.")
        span = read_span(start, to, every, services.clock.now())
        steps = await services.trend(point, span.start, span.end, span.step)
        return answers.series_answer(point, unit, span, list(steps))

    @app.get("/api/v1/estimates", summary="The latest estimate of every quantity")
    async def estimates() -> answers.EstimatesAnswer:
        return answers.EstimatesAnswer(
            site=services.plant().site.id,
            estimates=answers.estimate_answers(list(services.estimates())),
        )


def _add_standing(app: FastAPI, services: BoardServices) -> None:
    @app.get("/api/v1/fills", summary="Every declared fill, and what it holds back")
    async def fills() -> fill_answers.FillsAnswer:
        plant = services.plant()
        return fill_answers.FillsAnswer(
            site=plant.site.id, time=format_instant(services.clock.now()),
            fills=[fill_answers.fill_answer(f, plant) for f in services.fills()],
        )

    @app.get("/api/v1/windows", summary="Every impairment and planned visit that lasts")
    async def windows() -> window_answers.WindowsAnswer:
        plant = services.plant()
        return window_answers.WindowsAnswer(
            site=plant.site.id, time=format_instant(services.clock.now()),
            windows=[window_answers.window_answer(w, plant) for w in services.windows()],
        )

    @app.get("/api/v1/baselines", summary="Every baseline, learned or being learned")
    async def baselines() -> fill_answers.BaselinesAnswer:
        plant = services.plant()
        return fill_answers.BaselinesAnswer(
            site=plant.site.id, time=format_instant(services.clock.now()),
            baselines=[fill_answers.baseline_answer(b, plant) for b in services.baselines()],
        )


def _add_operations(app: FastAPI, services: BoardServices) -> None:
    metrics = Metrics(services)

    @app.get("/healthz", summary="Is the watch itself alive?", response_model=answers.HealthAnswer,
             responses={503: {"model": answers.HealthAnswer, "description": "it is not"}})
    @public
    async def healthz() -> Response:
        health = _health(services)
        answer = answers.health_answer(health, services.statistics(), services.clock.now())
        return JSONResponse(answer.model_dump(), status_code=200 if health.alive else 503)

    @app.get("/metrics", summary="Figures in OpenMetrics",
             responses={200: {"content": {"application/openmetrics-text": {}}}})
    async def scrape() -> Response:
        return Response(metrics.text(), headers={"content-type": CONTENT_TYPE})
