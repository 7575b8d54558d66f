"""Acting over HTTP: who may, what is known, and what the watch answers."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from collector.domain.actions import Action, Deed
from collector.domain.errors import ActionRefused
from collector.web.asks import ActionAsk, local_path, read_ask
from collector.web.door import visitor
from collector.web.refusals import Refusal
from collector.web.services import BoardServices
from collector.web.subjects import DEEDS, Subject

__all__ = ["carry_out"]


async def carry_out(
    request: Request, services: BoardServices, name: str, deed: Deed,
) -> Response:
    """Do what was asked of the alarm, fill or baseline of that name.

    The door has let the request in, and the route's ``require`` has looked at the role. Answers
    JSON with JSON, and a form with the way back to where it was filled in. Raises ``Refusal``: 400,
    404, 413 or 415 before anything happens, 409 when what stands does not allow it.
    """
    ask: ActionAsk = await read_ask(request)
    subject: Subject = DEEDS[deed].subject
    if not subject.known(name, services):
        raise Refusal(404, subject.unknown)
    action: Action = ask.action(deed, name, services.clock.now(), visitor(request).name)
    try:
        await services.act(action)
    except ActionRefused as refused:
        raise Refusal(409, str(refused)) from refused
    if ask.from_form:
        return RedirectResponse(local_path(ask.fields.get("back", ""), subject.back),
                                status_code=303)
    return JSONResponse(subject.after(action, services).model_dump())
