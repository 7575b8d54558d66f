"""What a rule says: a condition of an asset holds, does not, or cannot be judged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

__all__ = ["ConditionState", "Evaluation", "NotMonitored"]


class ConditionState(StrEnum):
    """The three answers."""

    ACTIVE = "present"
    INACTIVE = "absent"
    UNKNOWN = "unknown"
    """Inputs are silent or not to be trusted: whatever stood before stands still."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """The standing of one condition of one asset, delays already applied.

    ``since`` (ms) is when what it describes began, ``time`` when it was judged. ``values`` are the
    numbers of the message with their unit in the key (``run_minutes``). ``text`` is the whole
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
    """A condition that cannot be watched for an asset, and what is missing."""

    condition: str
    asset: str
    reason: str
    """Such as ``no tank pressure at gen1``."""
