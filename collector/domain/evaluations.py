"""Evaluations: whether a condition of an asset is active, inactive or unknown."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

__all__ = ["ConditionState", "Evaluation", "NotMonitored"]


class ConditionState(StrEnum):
    """The state of a condition."""

    ACTIVE = "present"
    INACTIVE = "absent"
    UNKNOWN = "unknown"
    """Inputs are missing or bad: an alarm that was active stays active."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """The state of one condition of one asset, after the on-delay and off-delay.

    ``since`` (ms) is when what it describes began, ``time`` when it was evaluated. ``values`` are
    the numbers of the message with their unit in the key (``run_minutes``). ``text`` is the whole
    message: what, where, since when, numbers, likely causes in order, caution. ``because`` says why
    an unknown is unknown.
    """

    condition: str
    asset: str
    state: ConditionState
    time: int
    since: int | None = None
    values: Mapping[str, float | int | str | None] = field(default_factory=dict)
    text: str = ""
    because: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NotMonitored:
    """A condition that cannot be monitored for an asset, and what is missing."""

    condition: str
    asset: str
    reason: str
    """Such as ``no tank pressure at gen1``."""
