"""Acting on an alarm over HTTP: who may, what is known, and what the alarm table answers."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from collector.clock import format_instant
from collector.domain.actions import Action, Deed
from collector.domain.conditions import CATALOGUE
from collector.domain.errors import ActionRefused
from collector.domain.live import LiveAlarm
from collector.domain.plant import Plant
from collector.domain.readings import split_point
from collector.web.answers import ActAnswer, alarm_answer
from collector.web.asks import ActionAsk, check_origin, check_token, read_ask
from collector.web.refusals import Refusal
from collector.web.services import BoardServices

__all__ = ["DEEDS", "carry_out"]

DEEDS = (Deed.ACKNOWLEDGE, Deed.SHELVE, Deed.UNSHELVE)
"""What may be asked over HTTP."""


def _knows_asset(plant: Plant, asset: str) -> bool:
    if asset == plant.site.id or asset in plant.devices or plant.thing(asset) is not None:
        return True
    try:
        return plant.thing(split_point(asset)[0]) is not None
    except ValueError:
        return False


def _known(alarm_id: str, services: BoardServices) -> bool:
    """Whether an id names a live alarm, or a condition of something of this site."""
    if any(alarm_id in (a.id, f"{a.condition}.{a.asset}") for a in services.alarms()):
        return True
    condition, _, asset = alarm_id.partition(".")
    return condition in CATALOGUE and _knows_asset(services.plant(), asset)


def _standing(alarm_id: str, services: BoardServices) -> LiveAlarm | None:
    for alarm in services.alarms():
        if alarm_id in (alarm.id, f"{alarm.condition}.{alarm.asset}"):
            return alarm
    return None


async def _ask(request: Request, services: BoardServices, alarm_id: str, deed: Deed) -> Action:
    check_origin(request)
    ask: ActionAsk = await read_ask(request)
    request.state.from_form = ask.from_form
    check_token(request, ask, services.token)
    if not _known(alarm_id, services):
        raise Refusal(404, "There is no such alarm; it may have ended meanwhile.")
    return ask.action(deed, alarm_id, services.clock.now())


async def carry_out(
    request: Request, services: BoardServices, alarm_id: str, deed: Deed,
) -> Response:
    """Do what was asked; answer JSON with JSON, and a form with the way back to the board.

    Raises ``Refusal``: 400, 401, 403, 404, 413 or 415 before anything happens, 409 when the alarm's
    state does not allow it.
    """
    action = await _ask(request, services, alarm_id, deed)
    try:
        await services.act(action)
    except ActionRefused as refused:
        raise Refusal(409, str(refused)) from refused
    if request.state.from_form:
        return RedirectResponse("/#alarms", status_code=303)
    after = _standing(alarm_id, services)
    answer = ActAnswer(
        done=deed.value, by=action.by, time=format_instant(action.time),
        alarm=None if after is None else alarm_answer(after, services.plant()),
    )
    return JSONResponse(answer.model_dump())
