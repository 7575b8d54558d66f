"""Acting over HTTP: who may, what is known, and what the watch answers."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from collector.domain.actions import Action, Deed
from collector.domain.errors import ActionRefused
from collector.web.asks import ActionAsk, check_origin, check_token, read_ask
from collector.web.refusals import Refusal
from collector.web.services import BoardServices
from collector.web.subjects import DEEDS

__all__ = ["carry_out"]


async def _ask(request: Request, services: BoardServices, name: str, deed: Deed) -> Action:
    check_origin(request)
    ask: ActionAsk = await read_ask(request)
    request.state.from_form = ask.from_form
    check_token(request, ask, services.token)
    subject, _ = DEEDS[deed]
    if not subject.known(name, services):
        raise Refusal(404, subject.unknown)
    return ask.action(deed, name, services.clock.now())


async def carry_out(
    request: Request, services: BoardServices, name: str, deed: Deed,
) -> Response:
    """Do what was asked of the alarm, fill or baseline of that name.

    Answers JSON with JSON, and a form with the way back to the board. Raises ``Refusal``: 400,
    401, 403, 404, 413 or 415 before anything happens, 409 when what stands does not allow it.
    """
    action = await _ask(request, services, name, deed)
    try:
        await services.act(action)
    except ActionRefused as refused:
        raise Refusal(409, str(refused)) from refused
    subject, _ = DEEDS[deed]
    if request.state.from_form:
        return RedirectResponse(subject.back, status_code=303)
    return JSONResponse(subject.after(action, services).model_dump())
