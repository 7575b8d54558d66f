"""What can be acted on over HTTP: alarms, fills, windows, baselines; their ids, what is told.

Who may act, and how a request is read and answered, is the same for all and stands in ``acting``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from collector.clock import format_instant
from collector.domain.actions import Action, Deed
from collector.domain.conditions import CATALOGUE
from collector.domain.plant import Plant
from collector.domain.readings import split_point
from collector.domain.windows import WindowKind
from collector.people import Role
from collector.web.answers import ActAnswer, Answer, alarm_answer
from collector.web.board_fills import baseline_id
from collector.web.fill_answers import (
    BaselineActAnswer,
    FillActAnswer,
    baseline_answer,
    fill_answer,
)
from collector.web.services import BoardServices
from collector.web.window_answers import WindowActAnswer, window_answer

__all__ = ["DEEDS", "Asked", "Subject"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """One kind of thing to act on. ``path`` has its id in braces, named ``parameter``.

    ``after`` writes the answer to an action that was carried out; ``back`` is where a form leads.
    """

    name: str
    path: str
    parameter: str
    known: Callable[[str, BoardServices], bool]
    unknown: str
    back: str
    answer: type[Answer]
    after: Callable[[Action, BoardServices], Answer]


def _knows_asset(plant: Plant, asset: str) -> bool:
    if asset == plant.site.id or asset in plant.devices or plant.thing(asset) is not None:
        return True
    try:
        return plant.thing(split_point(asset)[0]) is not None
    except ValueError:
        return False


def _known_alarm(alarm_id: str, services: BoardServices) -> bool:
    """Whether an id names a live alarm, or a condition of something of this site."""
    if any(alarm_id in (a.id, f"{a.condition}.{a.asset}") for a in services.alarms()):
        return True
    condition, _, asset = alarm_id.partition(".")
    return condition in CATALOGUE and _knows_asset(services.plant(), asset)


def _known_fill(asset: str, services: BoardServices) -> bool:
    plant = services.plant()
    return asset in plant.generators or asset in plant.risers


def _known_systems(asset: str, services: BoardServices) -> bool:
    return asset == services.plant().site.id or _known_fill(asset, services)


def _known_thing(asset: str, services: BoardServices) -> bool:
    plant = services.plant()
    return asset in plant.devices or plant.thing(asset) is not None


def _known_baseline(name: str, services: BoardServices) -> bool:
    return any(name == baseline_id(one) for one in services.baselines())


def _after_alarm(action: Action, services: BoardServices) -> Answer:
    found = next((a for a in services.alarms()
                  if action.alarm in (a.id, f"{a.condition}.{a.asset}")), None)
    return ActAnswer(
        done=action.deed.value, by=action.by, time=format_instant(action.time),
        alarm=None if found is None else alarm_answer(found, services.plant()),
    )


def _after_fill(action: Action, services: BoardServices) -> Answer:
    found = next((f for f in services.fills() if f.asset == action.alarm), None)
    return FillActAnswer(
        done=action.deed.value, by=action.by, time=format_instant(action.time),
        fill=None if found is None else fill_answer(found, services.plant()),
    )


def _after_window(kind: WindowKind) -> Callable[[Action, BoardServices], Answer]:
    def after(action: Action, services: BoardServices) -> Answer:
        found = next((w for w in services.windows()
                      if w.kind is kind and w.asset == action.alarm), None)
        return WindowActAnswer(
            done=action.deed.value, by=action.by, time=format_instant(action.time),
            window=None if found is None else window_answer(found, services.plant()),
        )
    return after


def _after_baseline(action: Action, services: BoardServices) -> Answer:
    found = next((b for b in services.baselines() if baseline_id(b) == action.alarm), None)
    return BaselineActAnswer(
        done=action.deed.value, by=action.by, time=format_instant(action.time),
        baseline=None if found is None else baseline_answer(found, services.plant()),
    )


_ALARM = Subject(
    name="alarm", path="/api/v1/alarms/{alarm_id}", parameter="alarm_id", known=_known_alarm,
    unknown="There is no such alarm; it may have ended meanwhile.", back="/alarms#live",
    answer=ActAnswer, after=_after_alarm,
)
_FILL = Subject(
    name="fill", path="/api/v1/fills/{asset}", parameter="asset", known=_known_fill,
    unknown="This site has no such generator or riser.", back="/work#fills",
    answer=FillActAnswer, after=_after_fill,
)
_IMPAIRMENT = Subject(
    name="impairment", path="/api/v1/impairments/{asset}", parameter="asset", known=_known_systems,
    unknown="This site has no such riser or generator.", back="/windows",
    answer=WindowActAnswer, after=_after_window(WindowKind.IMPAIRMENT),
)
_VISIT = Subject(
    name="visit", path="/api/v1/visits/{asset}", parameter="asset", known=_known_thing,
    unknown="This site has no such thing or device.", back="/windows",
    answer=WindowActAnswer, after=_after_window(WindowKind.VISIT),
)
_BASELINE = Subject(
    name="baseline", path="/api/v1/baselines/{baseline_id}", parameter="baseline_id",
    known=_known_baseline, unknown="No such baseline is kept.", back="/work#baselines",
    answer=BaselineActAnswer, after=_after_baseline,
)

@dataclass(frozen=True, slots=True)
class Asked:
    """What may be asked: of what, under which last word of its address, and of whom."""

    subject: Subject
    word: str
    role: Role


DEEDS: Mapping[Deed, Asked] = {
    Deed.ACKNOWLEDGE: Asked(_ALARM, "acknowledge", Role.RESPOND),
    Deed.SHELVE: Asked(_ALARM, "shelve", Role.RESPOND),
    Deed.UNSHELVE: Asked(_ALARM, "unshelve", Role.RESPOND),
    Deed.TAKE_OUT: Asked(_ALARM, "take-out", Role.MANAGE),
    Deed.PUT_BACK: Asked(_ALARM, "put-back", Role.MANAGE),
    Deed.DECLARE_FILL: Asked(_FILL, "declare", Role.RESPOND),
    Deed.END_FILL: Asked(_FILL, "end", Role.RESPOND),
    Deed.RESET_BASELINE: Asked(_BASELINE, "reset", Role.MANAGE),
    Deed.DECLARE_IMPAIRMENT: Asked(_IMPAIRMENT, "declare", Role.RESPOND),
    Deed.END_IMPAIRMENT: Asked(_IMPAIRMENT, "end", Role.RESPOND),
    Deed.BEGIN_VISIT: Asked(_VISIT, "begin", Role.RESPOND),
    Deed.END_VISIT: Asked(_VISIT, "end", Role.RESPOND),
}
"""Everything that may be asked over HTTP."""
