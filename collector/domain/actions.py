"""Operator actions on alarms; declared fills, impairments and visits; accepted baselines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


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
    since: int | None = None
    """When a window begins, where that is later than ``time``."""
    details: Mapping[str, str] = field(default_factory=dict)
    """Further facts of a window; keys of :data:`WINDOW_DETAILS`."""


WINDOW_DETAILS: Mapping[str, str] = {
    "coordinator": "Impairment coordinator", "tag": "Tag number",
    "notified_authority": "Authority having jurisdiction notified",
    "notified_station": "Monitoring station notified", "notified_owner": "Owner notified",
    "fire_watch": "Fire watch",
}
"""What an impairment procedure asks to be written down, with its label."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredFill:
    """One declared fill as people see it. Instants are ms since 1970 UTC.

    ``since``, ``by`` and ``why`` are ``None`` and empty where only its end is known. The last
    three are ids of conditions that are monitored: ``held`` are not raised while it lasts,
    ``afterwards`` those of them that stay so for a day after it, and ``longer`` have a longer limit
    of their own meanwhile.
    """

    asset: str
    until: int
    since: int | None = None
    by: str = ""
    why: str = ""
    held: tuple[str, ...] = ()
    afterwards: tuple[str, ...] = ()
    longer: tuple[str, ...] = ()


class WindowKind(StrEnum):
    """The kind of a declared window."""

    IMPAIRMENT = "impairment"
    """Systems are closed, drained or tested: what follows from that is suppressed by design."""
    VISIT = "visit"
    """People work on an asset: its alarms are out of service."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """One declared window. Instants are ms since 1970 UTC; ``until`` is when it ends by itself.

    ``asset`` is a riser, a generator (then all it feeds) or the site for an impairment; an asset or
    device for a visit. ``quiet`` are the alarms it suppresses, as ``<condition>.<asset>``.
    """

    kind: WindowKind
    asset: str
    since: int
    until: int
    by: str
    why: str
    inhibits: tuple[str, ...] = ()
    reminded: bool = False
    """Whether its end has been announced."""
    details: Mapping[str, str] = field(default_factory=dict)
    """Keys of :data:`WINDOW_DETAILS`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """One baseline as people see it.

    ``value`` and ``deviation`` (standard) are in ``unit``; ``None`` while it is being learned.
    ``days`` of ``needed`` days have been accepted; ``window`` (ms since 1970 UTC) is what they
    span. ``conditions`` says in plain words what a day must be like to be accepted.
    """

    quantity: str
    asset: str
    unit: str
    value: float | None
    deviation: float | None
    days: int
    needed: int
    window: tuple[int, int] | None
    given: bool
    """Whether a person set it in the site file; then nothing is learned."""
    conditions: str
    accepted_by: str = ""
    """Who signed the acceptance it comes from; empty where it was learned or given."""
