"""Operator actions on alarms, by a person or by a timer that a person set."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["ActionKind", "OperatorAction"]


class ActionKind(StrEnum):
    """The kinds of operator action."""

    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    TAKE_OUT = "take-out"
    PUT_BACK = "put-back"
    RESET_BASELINE = "reset-baseline"
    DECLARE_FILL = "declare-fill"
    END_FILL = "end-fill"
    DECLARE_IMPAIRMENT = "declare-impairment"
    END_IMPAIRMENT = "end-impairment"
    BEGIN_VISIT = "begin-visit"
    END_VISIT = "end-visit"


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorAction:
    """One action. ``alarm`` is an occurrence id, or ``<condition>.<asset>`` for one not raised.

    To reset a baseline it is ``<quantity>.<asset>`` (``compressor-delivery.gen1``), to declare a
    fill or to end it the id of the generator or riser that is filled. An impairment is of a riser,
    a generator (all it feeds) or the site, a visit to an asset or device.
    ``time`` and ``until`` are ms since 1970 UTC. ``why`` is required for shelving, taking out,
    resetting and declaring anything.
    """

    kind: ActionKind
    alarm: str
    time: int
    by: str
    why: str = ""
    until: int | None = None
