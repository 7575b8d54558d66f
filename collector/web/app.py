"""Builds the application: the access policy before every route, the error responses, the routes."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, FastAPI, Query
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from collector.domain.errors import QuietpipeError
from collector.web.access import REDIRECTED
from collector.web.api.action_routes import add_action_routes
from collector.web.api.read_routes import add_read_routes
from collector.web.api.requests import local_path
from collector.web.http_errors import CrossSiteNavigation, HttpError, SignInRequired
from collector.web.live import add_live
from collector.web.pages.acceptance_pages import add_acceptance_pages
from collector.web.pages.alarm_page import add_alarm_page
from collector.web.pages.asset_pages import add_asset_pages
from collector.web.pages.commissioning_page import add_commissioning_page
from collector.web.pages.compressor_page import add_compressor_page
from collector.web.pages.message_link_page import add_message_link_page
from collector.web.pages.purge_page import add_purge_page
from collector.web.pages.report_page import add_report_page
from collector.web.pages.sign_in_pages import add_sign_in_pages
from collector.web.pages.site_pages import add_site_pages
from collector.web.pages.window_page import active_window_lines, add_window_page
from collector.web.render import page
from collector.web.security_headers import SecurityHeaders
from collector.web.services import BoardServices

__all__ = ["add_error_handlers", "create_app"]

_Time = Annotated[str | None, Query(max_length=64)]


def create_app(services: BoardServices) -> FastAPI:
    """Build the board and the HTTP interface; ``services`` is not used before the first request."""
    app = FastAPI(
        title="quietpipe", version=services.version, docs_url=None, redoc_url=None,
        description="Reads what the monitor of one site knows; acknowledges and shelves alarms, "
                    "declares fills, impairments and visits, resets baselines. Only a "
                    "commissioning asks a device.",
        # Before every route, also those that other modules add: a new route is closed by default.
        dependencies=[Depends(services.access.admit)],
    )
    app.state.site_name = lambda: services.plant().site.name
    app.state.active_windows = active_window_lines(services)
    app.add_middleware(SecurityHeaders)
    add_error_handlers(app)
    add_read_routes(app, services)
    add_action_routes(app, services)
    add_message_link_page(app, services)
    add_window_page(app, services)
    add_acceptance_pages(app, services)
    add_commissioning_page(app, services)
    add_report_page(app, services)
    add_sign_in_pages(app, services)
    add_live(app, services.live, services.access)
    add_site_pages(app, services)
    add_asset_pages(app, services)
    add_compressor_page(app, services)
    add_purge_page(app, services)
    add_alarm_page(app, services)
    return app


def _error(
    request: Request, status: int, sentence: str, retry_after: int | None = None,
) -> Response:
    headers = {"www-authenticate": "Bearer"} if status == 401 else {}
    if retry_after is not None:
        headers["retry-after"] = str(retry_after)
    if getattr(request.state, "from_form", False) or (
        request.method == "GET" and "text/html" in request.headers.get("accept", "")
    ):
        return page(request, "error.html", status=status, headers=headers, sentence=sentence,
                    here="/")
    return JSONResponse({"error": sentence}, status_code=status, headers=headers)


def add_error_handlers(app: FastAPI) -> None:
    """Answer every error with one sentence, as a page for a browser or as JSON."""
    @app.exception_handler(HttpError)
    async def http_error(request: Request, error: HttpError) -> Response:
        return _error(request, error.status, error.sentence, error.retry_after)

    @app.exception_handler(SignInRequired)
    async def sign_in(request: Request, error: SignInRequired) -> Response:
        return RedirectResponse(f"/sign-in?next={error.back}", status_code=303)

    @app.exception_handler(CrossSiteNavigation)
    async def cross_site(request: Request, error: CrossSiteNavigation) -> Response:
        query = f"?{request.url.query}" if request.url.query else ""
        answer = page(request, "continue.html", to=local_path(f"{request.url.path}{query}", "/"))
        answer.set_cookie(REDIRECTED, "1", max_age=5, httponly=True, samesite="lax", path="/")
        return answer

    @app.exception_handler(QuietpipeError)
    async def failed(request: Request, error: QuietpipeError) -> Response:
        return _error(request, 503, f"Not available at the moment: {error}")

    @app.exception_handler(RequestValidationError)
    async def invalid(request: Request, error: RequestValidationError) -> Response:
        parts = [f"'{e['loc'][-1]}': {e['msg'][:1].lower()}{e['msg'][1:]}" for e in error.errors()]
        return _error(request, 422, "; ".join(parts) + ".")

    @app.exception_handler(HTTPException)
    async def framework_error(request: Request, error: HTTPException) -> Response:
        sentence = {
            404: "There is nothing at this address.",
            405: "This address does not take that kind of request.",
        }.get(error.status_code, str(error.detail))
        response = _error(request, error.status_code, sentence)
        response.headers.update(error.headers or {})
        return response
