"""The lifecycle of an alarm after IEC 62682 / ISA-18.2, as one transition table.

States have names, not letters, which differ between editions. An input that the table does not list
for a state is refused before it has any effect. The diagram in the handbook is drawn from the table
by :func:`diagram`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from collector.domain.errors import ActionRefused
from collector.domain.events import Transition
from collector.domain.live import AlarmState


class Input(StrEnum):
    """An input to an alarm. Leaving the shelf depends on whether the condition is active."""

    ABNORMAL = "condition begins"
    NORMAL = "condition ends"
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE_NORMAL = "unshelve, condition gone"
    UNSHELVE_ABNORMAL = "unshelve, condition holds"
    SUPPRESS = "suppress"
    UNSUPPRESS_NORMAL = "end of suppression, condition gone"
    UNSUPPRESS_ABNORMAL = "end of suppression, condition holds"
    TAKE_OUT = "take out of service"
    PUT_BACK_NORMAL = "put back, condition gone"
    PUT_BACK_ABNORMAL = "put back, condition holds"


@dataclass(frozen=True, slots=True)
class Step:
    """The state an input leads to, and the transitions to journal, in order."""

    to: AlarmState
    transitions: tuple[Transition, ...]


_N, _U, _A = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED
_R, _S = AlarmState.RETURNED_UNACKNOWLEDGED, AlarmState.SHELVED
_D, _O = AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE
_T = Transition


def _inhibiting(state: AlarmState) -> dict[tuple[AlarmState, Input], Step]:
    """Return the inputs that shelve, suppress or take out of service any alarm in service."""
    return {
        (state, Input.SHELVE): Step(_S, (_T.SHELVED,)),
        (state, Input.SUPPRESS): Step(_D, (_T.SUPPRESSED,)),
        (state, Input.TAKE_OUT): Step(_O, (_T.OUT_OF_SERVICE,)),
    }


def _inhibited(
    state: AlarmState, gone: Input, active: Input, ended: Transition,
) -> dict[tuple[AlarmState, Input], Step]:
    """Return the inputs of an inhibited state.

    Its condition comes and goes without a transition; one active at the end is raised again.
    """
    return {
        (state, Input.ABNORMAL): Step(state, ()),
        (state, Input.NORMAL): Step(state, ()),
        (state, gone): Step(_N, (ended,)),
        (state, active): Step(_U, (ended, _T.RAISED)),
    }


TABLE: Mapping[tuple[AlarmState, Input], Step] = {
    (_N, Input.ABNORMAL): Step(_U, (_T.RAISED,)),
    (_U, Input.ACKNOWLEDGE): Step(_A, (_T.ACKNOWLEDGED,)),
    (_U, Input.NORMAL): Step(_R, (_T.RETURNED,)),
    (_A, Input.NORMAL): Step(_N, (_T.RETURNED,)),
    (_R, Input.ABNORMAL): Step(_U, (_T.RAISED,)),
    (_R, Input.ACKNOWLEDGE): Step(_N, (_T.ACKNOWLEDGED,)),
    **_inhibiting(_N), **_inhibiting(_U), **_inhibiting(_A), **_inhibiting(_R),
    **_inhibited(_S, Input.UNSHELVE_NORMAL, Input.UNSHELVE_ABNORMAL, _T.UNSHELVED),
    **_inhibited(_D, Input.UNSUPPRESS_NORMAL, Input.UNSUPPRESS_ABNORMAL, _T.UNSUPPRESSED),
    **_inhibited(_O, Input.PUT_BACK_NORMAL, Input.PUT_BACK_ABNORMAL, _T.IN_SERVICE),
    # Again, with another end or reason.
    (_S, Input.SHELVE): Step(_S, (_T.SHELVED,)),
    (_D, Input.SUPPRESS): Step(_D, (_T.SUPPRESSED,)),
    (_O, Input.TAKE_OUT): Step(_O, (_T.OUT_OF_SERVICE,)),
    (_S, Input.TAKE_OUT): Step(_O, (_T.OUT_OF_SERVICE,)),
    (_D, Input.TAKE_OUT): Step(_O, (_T.OUT_OF_SERVICE,)),
}
"""Every permitted step. The first six are those of the standard's basic alarm (ISA-18.2)."""


def step(state: AlarmState, given: Input) -> Step:
    """Return the step that ``given`` leads to from ``state``.

    Raises ``ActionRefused`` when the table does not list it.
    """
    found = TABLE.get((state, given))
    if found is None:
        raise ActionRefused(f"an alarm that is {state.value} cannot take: {given.value}")
    return found


def diagram() -> str:
    """Draw the table as a state diagram in Mermaid, for the documents."""
    lines = ["stateDiagram-v2", "    [*] --> normal"]
    for (state, given), found in TABLE.items():
        if found.to is not state:
            lines.append(f"    {_id(state)} --> {_id(found.to)}: {given.value}")
    names = [f'    state "{s.value.replace("-", " ")}" as {_id(s)}' for s in AlarmState]
    return "\n".join([lines[0], *names, *lines[1:]])


def _id(state: AlarmState) -> str:
    return state.value.replace("-", "_")
