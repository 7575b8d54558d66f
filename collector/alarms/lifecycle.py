"""The life of an alarm, after IEC 62682 / ISA-18.2: one table of what may follow what.

States go by name; their letters differ between editions. Everything that may happen is listed here:
what is not, is refused before it has any effect. The diagram in the documents is drawn from the
table by :func:`diagram`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from collector.domain.errors import ActionRefused
from collector.domain.events import Transition
from collector.domain.live import AlarmState

__all__ = ["TABLE", "Input", "Step", "diagram", "step"]


class Input(StrEnum):
    """What may happen to an alarm. Leaving a quiet state depends on whether the condition holds."""

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
    """Where an input leads, and the transitions it is told as, in order."""

    to: AlarmState
    told: tuple[Transition, ...]


_N, _U, _A = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED
_R, _S = AlarmState.RETURNED_UNACKNOWLEDGED, AlarmState.SHELVED
_D, _O = AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE
_T = Transition


def _quieting(state: AlarmState) -> dict[tuple[AlarmState, Input], Step]:
    """Any alarm that is not already quiet may be shelved, suppressed or taken out."""
    return {
        (state, Input.SHELVE): Step(_S, (_T.SHELVED,)),
        (state, Input.SUPPRESS): Step(_D, (_T.SUPPRESSED,)),
        (state, Input.TAKE_OUT): Step(_O, (_T.OUT_OF_SERVICE,)),
    }


def _quiet(
    state: AlarmState, gone: Input, holds: Input, told: Transition,
) -> dict[tuple[AlarmState, Input], Step]:
    """While quiet, conditions come and go unheard; one that holds at the end is raised anew."""
    return {
        (state, Input.ABNORMAL): Step(state, ()),
        (state, Input.NORMAL): Step(state, ()),
        (state, gone): Step(_N, (told,)),
        (state, holds): Step(_U, (told, _T.RAISED)),
    }


TABLE: Mapping[tuple[AlarmState, Input], Step] = {
    (_N, Input.ABNORMAL): Step(_U, (_T.RAISED,)),
    (_U, Input.ACKNOWLEDGE): Step(_A, (_T.ACKNOWLEDGED,)),
    (_U, Input.NORMAL): Step(_R, (_T.RETURNED,)),
    (_A, Input.NORMAL): Step(_N, (_T.RETURNED,)),
    (_R, Input.ABNORMAL): Step(_U, (_T.RAISED,)),
    (_R, Input.ACKNOWLEDGE): Step(_N, (_T.ACKNOWLEDGED,)),
    **_quieting(_N), **_quieting(_U), **_quieting(_A), **_quieting(_R),
    **_quiet(_S, Input.UNSHELVE_NORMAL, Input.UNSHELVE_ABNORMAL, _T.UNSHELVED),
    **_quiet(_D, Input.UNSUPPRESS_NORMAL, Input.UNSUPPRESS_ABNORMAL, _T.UNSUPPRESSED),
    **_quiet(_O, Input.PUT_BACK_NORMAL, Input.PUT_BACK_ABNORMAL, _T.IN_SERVICE),
    # Said again, with another end or reason.
    (_S, Input.SHELVE): Step(_S, (_T.SHELVED,)),
    (_D, Input.SUPPRESS): Step(_D, (_T.SUPPRESSED,)),
    (_O, Input.TAKE_OUT): Step(_O, (_T.OUT_OF_SERVICE,)),
    (_S, Input.TAKE_OUT): Step(_O, (_T.OUT_OF_SERVICE,)),
    (_D, Input.TAKE_OUT): Step(_O, (_T.OUT_OF_SERVICE,)),
}
"""Every step there is. The first six are those of the standard's basic alarm (ISA-18.2)."""


def step(state: AlarmState, given: Input) -> Step:
    """Return where ``given`` leads from ``state``.

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
