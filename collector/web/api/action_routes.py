"""The routes that change something, and their description."""

from __future__ import annotations

from typing import Any

from fastapi import Depends, FastAPI, Path, Security
from fastapi.security import HTTPBearer
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from collector.domain.actions import ActionKind
from collector.domain.errors import ActionRefused
from collector.web.access import require, visitor
from collector.web.api import schemas
from collector.web.api.action_targets import ACTIONS
from collector.web.api.requests import BODIES, local_path, read_action_request
from collector.web.http_errors import HttpError
from collector.web.services import BoardServices

__all__ = ["ERROR_RESPONSES", "add_action_routes"]

_BEARER = HTTPBearer(auto_error=False, description="the board's token")
"""For the description only: the access policy decides."""

ERROR_RESPONSES: dict[int | str, dict[str, Any]] = {
    code: {"model": schemas.ErrorResponse, "description": text} for code, text in (
        (400, "a field is missing or wrong"), (401, "not signed in, or the wrong token"),
        (403, "from another site's page, no CSRF token, or role not sufficient"),
        (404, "unknown id"), (409, "the present state does not allow it"),
        (413, "too long a body"), (415, "neither JSON nor a form"), (422, "too long an id"),
        (429, "too many tries with a wrong token"),
    )
}


def add_action_routes(app: FastAPI, services: BoardServices) -> None:
    """Add a route for each action."""
    for kind in ACTIONS:
        _add_action(app, services, kind)


def _body(kind: ActionKind) -> dict[str, Any]:
    """Return the OpenAPI description of a request's body, which the route reads itself."""
    body = BODIES[kind].model_json_schema()
    extra = schemas.FormFields.model_json_schema()
    form = body | {
        "required": [*body["required"][1:], *extra["required"]],
        "properties": body["properties"] | extra["properties"],
    }
    return {"required": True, "content": {
        "application/json": {"schema": body},
        "application/x-www-form-urlencoded": {"schema": form},
    }}


def _add_action(app: FastAPI, services: BoardServices, kind: ActionKind) -> None:
    route = ACTIONS[kind]
    target, segment = route.target, route.segment
    # A default, since an annotation could not see what is known only here.
    named: Any = Path(alias=target.parameter, max_length=300)
    article = "an" if target.name[0] in "ai" else "a"

    @app.post(f"{target.path}/{segment}", summary=f"{segment} {article} {target.name}",
              operation_id=f"{segment}_{target.name}", response_model=target.response,
              responses=ERROR_RESPONSES | {303: {"description": "done; back to the form"}},
              openapi_extra={"requestBody": _body(kind)},
              dependencies=[Security(_BEARER), Depends(require(route.role))])
    async def act(request: Request, name: str = named) -> Response:
        return await perform(request, services, name, kind)


async def perform(
    request: Request, services: BoardServices, name: str, kind: ActionKind,
) -> Response:
    """Perform an action on the target of that id and return the response.

    The access policy and the route's ``require`` have checked the visitor. JSON is answered with
    JSON, a form with a redirect to its page. Raises ``HttpError``: 400, 404, 413 or 415 before
    anything is done, 409 when the present state does not allow it.
    """
    sent = await read_action_request(request)
    target = ACTIONS[kind].target
    if not target.known(name, services):
        raise HttpError(404, target.unknown)
    action = sent.action(kind, name, services.clock.now(), visitor(request).name)
    try:
        await services.act(action)
    except ActionRefused as refused:
        raise HttpError(409, str(refused)) from refused
    if sent.from_form:
        return RedirectResponse(local_path(sent.text("back"), target.back),
                                status_code=303)
    return JSONResponse(target.after(action, services).model_dump())
