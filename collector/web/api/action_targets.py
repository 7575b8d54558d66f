"""The targets of actions over HTTP (alarms, fills, windows, baselines) and the routes to them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from collector.clock import format_instant
from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.conditions import CATALOGUE
from collector.domain.plant import Plant
from collector.domain.readings import split_point
from collector.domain.windows import WindowKind
from collector.people import Role
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
from collector.web.services import BoardServices
from collector.web.views.fills import baseline_id

__all__ = ["ACTIONS", "ActionRoute", "ActionTarget"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ActionTarget:
    """One kind of target. ``path`` has its id in braces, named ``parameter``.

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
    name="alarm", path="/api/v1/alarms/{alarm_id}", parameter="alarm_id", known=_known_alarm,
    unknown="No such alarm; it may have ended.", back="/alarms#live",
    response=ActResponse, after=_after_alarm,
)
_FILL = ActionTarget(
    name="fill", path="/api/v1/fills/{asset}", parameter="asset", known=_known_fill,
    unknown="This site has no such generator or riser.", back="/work#fills",
    response=FillActResponse, after=_after_fill,
)
_IMPAIRMENT = ActionTarget(
    name="impairment", path="/api/v1/impairments/{asset}", parameter="asset", known=_known_system,
    unknown="This site has no such riser or generator.", back="/windows",
    response=WindowActResponse, after=_after_window(WindowKind.IMPAIRMENT),
)
_VISIT = ActionTarget(
    name="visit", path="/api/v1/visits/{asset}", parameter="asset", known=_known_asset,
    unknown="This site has no such asset or device.", back="/windows",
    response=WindowActResponse, after=_after_window(WindowKind.VISIT),
)
_BASELINE = ActionTarget(
    name="baseline", path="/api/v1/baselines/{baseline_id}", parameter="baseline_id",
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
