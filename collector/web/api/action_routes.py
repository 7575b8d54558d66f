"""The routes that change something, and their description."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from fastapi import Depends, FastAPI, Path, Security
from fastapi.security import HTTPBearer
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from collector.clock import format_instant
from collector.domain.actions import ActionKind, OperatorAction, WindowKind
from collector.domain.conditions import CATALOGUE
from collector.domain.errors import ActionRefused
from collector.domain.plant import Plant
from collector.domain.readings import split_point
from collector.people import Role
from collector.web.access import HttpError, require, visitor
from collector.web.api import BODIES, ActionRequest, local_path, read_form, read_json, schemas
from collector.web.api.responses import (
    alarm_response,
    baseline_response,
    fill_response,
    window_response,
)
from collector.web.api.schemas import (
    ActResponse,
    ApiModel,
    BaselineActResponse,
    FillActResponse,
    WindowActResponse,
)
from collector.web.render import confirmed
from collector.web.services import BoardServices
from collector.web.views import location_of, title_of
from collector.web.views.board import baseline_id


@dataclass(frozen=True, slots=True, kw_only=True)
class ActionTarget:
    """One kind of target. ``path`` has its id in braces, named ``parameter``.

    The board's forms are sent to ``path``, programs send JSON to the same path below ``/api/v1``.

    ``after`` returns the response to a performed action; ``back`` is the page a form returns to.
    """

    name: str
    path: str
    parameter: str
    known: Callable[[str, BoardServices], bool]
    unknown: str
    back: str
    response: type[ApiModel]
    after: Callable[[OperatorAction, BoardServices], ApiModel]


def _knows_asset(plant: Plant, asset: str) -> bool:
    if asset == plant.site.id or asset in plant.devices or plant.thing(asset) is not None:
        return True
    try:
        return plant.thing(split_point(asset)[0]) is not None
    except ValueError:
        return False


def _known_alarm(alarm_id: str, services: BoardServices) -> bool:
    """Whether an id names a live alarm, or a condition of an asset of this site."""
    if any(alarm_id in (a.id, f"{a.condition}.{a.asset}") for a in services.alarms()):
        return True
    condition, _, asset = alarm_id.partition(".")
    return condition in CATALOGUE and _knows_asset(services.plant(), asset)


def _known_fill(asset: str, services: BoardServices) -> bool:
    plant = services.plant()
    return asset in plant.generators or asset in plant.risers


def _known_system(asset: str, services: BoardServices) -> bool:
    return asset == services.plant().site.id or _known_fill(asset, services)


def _known_asset(asset: str, services: BoardServices) -> bool:
    plant = services.plant()
    return asset in plant.devices or plant.thing(asset) is not None


def _known_baseline(name: str, services: BoardServices) -> bool:
    return any(name == baseline_id(one) for one in services.baselines())


def _after_alarm(action: OperatorAction, services: BoardServices) -> ApiModel:
    found = next((a for a in services.alarms()
                  if action.alarm in (a.id, f"{a.condition}.{a.asset}")), None)
    return ActResponse(
        done=action.kind.value, by=action.by, time=format_instant(action.time),
        alarm=None if found is None else alarm_response(found, services.plant()),
    )


def _after_fill(action: OperatorAction, services: BoardServices) -> ApiModel:
    found = next((f for f in services.fills() if f.asset == action.alarm), None)
    return FillActResponse(
        done=action.kind.value, by=action.by, time=format_instant(action.time),
        fill=None if found is None else fill_response(found, services.plant()),
    )


def _after_window(kind: WindowKind) -> Callable[[OperatorAction, BoardServices], ApiModel]:
    def after(action: OperatorAction, services: BoardServices) -> ApiModel:
        found = next((w for w in services.windows()
                      if w.kind is kind and w.asset == action.alarm), None)
        return WindowActResponse(
            done=action.kind.value, by=action.by, time=format_instant(action.time),
            window=None if found is None else window_response(found, services.plant()),
        )
    return after


def _after_baseline(action: OperatorAction, services: BoardServices) -> ApiModel:
    found = next((b for b in services.baselines() if baseline_id(b) == action.alarm), None)
    return BaselineActResponse(
        done=action.kind.value, by=action.by, time=format_instant(action.time),
        baseline=None if found is None else baseline_response(found, services.plant()),
    )


_ALARM = ActionTarget(
    name="alarm", path="/alarms/{alarm_id}", parameter="alarm_id", known=_known_alarm,
    unknown="No such alarm; it may have ended.", back="/alarms#live",
    response=ActResponse, after=_after_alarm,
)
_FILL = ActionTarget(
    name="fill", path="/fills/{asset}", parameter="asset", known=_known_fill,
    unknown="This site has no such generator or riser.", back="/work#fills",
    response=FillActResponse, after=_after_fill,
)
_IMPAIRMENT = ActionTarget(
    name="impairment", path="/impairments/{asset}", parameter="asset", known=_known_system,
    unknown="This site has no such riser or generator.", back="/windows",
    response=WindowActResponse, after=_after_window(WindowKind.IMPAIRMENT),
)
_VISIT = ActionTarget(
    name="visit", path="/visits/{asset}", parameter="asset", known=_known_asset,
    unknown="This site has no such asset or device.", back="/windows",
    response=WindowActResponse, after=_after_window(WindowKind.VISIT),
)
_BASELINE = ActionTarget(
    name="baseline", path="/baselines/{baseline_id}", parameter="baseline_id",
    known=_known_baseline, unknown="No such baseline is kept.", back="/work#baselines",
    response=BaselineActResponse, after=_after_baseline,
)


@dataclass(frozen=True, slots=True)
class ActionRoute:
    """The route of one action: its target, the last segment of its path, the role it needs."""

    target: ActionTarget
    segment: str
    role: Role


ACTIONS: Mapping[ActionKind, ActionRoute] = {
    ActionKind.ACKNOWLEDGE: ActionRoute(_ALARM, "acknowledge", Role.RESPOND),
    ActionKind.SHELVE: ActionRoute(_ALARM, "shelve", Role.RESPOND),
    ActionKind.UNSHELVE: ActionRoute(_ALARM, "unshelve", Role.RESPOND),
    ActionKind.TAKE_OUT: ActionRoute(_ALARM, "take-out", Role.MANAGE),
    ActionKind.PUT_BACK: ActionRoute(_ALARM, "put-back", Role.MANAGE),
    ActionKind.DECLARE_FILL: ActionRoute(_FILL, "declare", Role.RESPOND),
    ActionKind.END_FILL: ActionRoute(_FILL, "end", Role.RESPOND),
    ActionKind.RESET_BASELINE: ActionRoute(_BASELINE, "reset", Role.MANAGE),
    ActionKind.DECLARE_IMPAIRMENT: ActionRoute(_IMPAIRMENT, "declare", Role.RESPOND),
    ActionKind.END_IMPAIRMENT: ActionRoute(_IMPAIRMENT, "end", Role.RESPOND),
    ActionKind.BEGIN_VISIT: ActionRoute(_VISIT, "begin", Role.RESPOND),
    ActionKind.END_VISIT: ActionRoute(_VISIT, "end", Role.RESPOND),
}
"""Every action that HTTP offers."""


DONE: Mapping[ActionKind, str] = {
    ActionKind.ACKNOWLEDGE: "Acknowledged", ActionKind.SHELVE: "Shelved",
    ActionKind.UNSHELVE: "Unshelved", ActionKind.TAKE_OUT: "Taken out of service",
    ActionKind.PUT_BACK: "Put back in service", ActionKind.DECLARE_FILL: "System fill declared",
    ActionKind.END_FILL: "System fill ended", ActionKind.RESET_BASELINE: "Baseline reset",
    ActionKind.DECLARE_IMPAIRMENT: "Impairment declared",
    ActionKind.END_IMPAIRMENT: "Impairment ended", ActionKind.BEGIN_VISIT: "Visit declared",
    ActionKind.END_VISIT: "Visit ended",
}
"""What the page says after each action."""


def _subject(name: str, services: BoardServices) -> str:
    """Return what an action was done to, in words."""
    plant = services.plant()
    condition, _, rest = name.partition(".")
    if condition in CATALOGUE:
        asset = rest.rpartition(".")[0] if rest.rpartition(".")[2].isdigit() else rest
        return f"{title_of(condition)}, {location_of(plant, asset)}"
    return plant.site.name if name == plant.site.id else location_of(plant, rest or name)


_BEARER = HTTPBearer(auto_error=False, description="the board's token")
"""For the description only: the access policy decides."""

ERROR_RESPONSES: dict[int | str, dict[str, Any]] = {
    code: {"model": schemas.ErrorResponse, "description": text} for code, text in (
        (400, "a field is missing or wrong"), (401, "not signed in, or the wrong token"),
        (403, "from another site's page, no CSRF token, or role not sufficient"),
        (404, "unknown id"), (409, "the present state does not allow it"),
        (413, "too long a body"), (415, "not JSON"), (422, "too long an id"),
        (429, "too many tries with a wrong token"),
    )
}


def add_action_routes(app: FastAPI, services: BoardServices) -> None:
    for kind in ACTIONS:
        _add_action(app, services, kind)


def _add_action(app: FastAPI, services: BoardServices, kind: ActionKind) -> None:
    route = ACTIONS[kind]
    target, segment = route.target, route.segment
    # A default, since an annotation could not see what is known only here.
    named: Any = Path(alias=target.parameter, max_length=300)
    article = "an" if target.name[0] in "ai" else "a"
    allowed = Depends(require(route.role))

    @app.post(f"/api/v1{target.path}/{segment}", summary=f"{segment} {article} {target.name}",
              operation_id=f"{segment}_{target.name}", response_model=target.response,
              responses=ERROR_RESPONSES, dependencies=[Security(_BEARER), allowed],
              openapi_extra={"requestBody": {"required": True, "content": {
                  "application/json": {"schema": BODIES[kind].model_json_schema()}}}})
    async def act(request: Request, name: str = named) -> Response:
        action = await perform(await read_json(request), request, services, name, kind)
        return JSONResponse(target.after(action, services).model_dump())

    @app.post(f"{target.path}/{segment}", include_in_schema=False, dependencies=[allowed])
    async def submit(request: Request, name: str = named) -> Response:
        sent = await read_form(request)
        return await submitted(sent, request, services, name, kind)


async def submitted(
    sent: ActionRequest, request: Request, services: BoardServices, name: str, kind: ActionKind,
) -> Response:
    """Perform the action of a form and go back to its page, which says what was done."""
    await perform(sent, request, services, name, kind)
    back = RedirectResponse(local_path(sent.text("back"), ACTIONS[kind].target.back),
                            status_code=303)
    return confirmed(back, f"{DONE[kind]}: {_subject(name, services)}.")


async def perform(
    sent: ActionRequest, request: Request, services: BoardServices, name: str, kind: ActionKind,
) -> OperatorAction:
    """Perform an action on the target of that id and return it.

    The access policy and the route's ``require`` have checked the visitor. Raises ``HttpError``:
    400 or 404 before anything is done, 409 when the present state does not allow it.
    """
    target = ACTIONS[kind].target
    if not target.known(name, services):
        raise HttpError(404, target.unknown)
    action = sent.action(kind, name, services.clock.now(), visitor(request).name)
    try:
        await services.act(action)
    except ActionRefused as refused:
        raise HttpError(409, str(refused)) from refused
    return action
