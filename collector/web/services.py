"""The services of the board: callables and facts, so that it knows no journal or daemon."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from collector.acceptance import AcceptanceService
from collector.clock import Clock, SystemClock
from collector.domain.actions import Baseline, DeclaredFill, OperatorAction, Window
from collector.domain.conditions import ConditionSettings
from collector.domain.evaluations import NotMonitored
from collector.domain.events import AlarmTransition, EstimateMade, Event
from collector.domain.live import (
    DeviceStatistics,
    ForwardStatistics,
    LiveAlarm,
    LivePicture,
    PipelineStatistics,
)
from collector.domain.messages import Delivery, Link
from collector.domain.plant import Plant
from collector.domain.readings import TrendStep
from collector.domain.units import duration_text
from collector.people.sessions import SessionManager
from collector.web.access import AccessPolicy
from collector.web.render import Live

__all__ = [
    "BoardServices", "CollectorStatistics", "CommissioningServices", "CommissioningView",
    "DeviceStatistics", "ForwardStatistics", "Health", "HistoryServices", "LinkServices",
    "MeasureLine", "Search", "check_health", "pace_of",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class CollectorStatistics(PipelineStatistics):
    """Statistics of the collector itself.

    ``numbers`` are further figures for ``/metrics``, each a gauge ``quietpipe_<name>``.
    """

    started: int
    deliveries_waiting: int = 0
    deliveries_given_up: int = 0
    devices: tuple[DeviceStatistics, ...] = ()
    forwards: tuple[ForwardStatistics, ...] = ()
    numbers: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """A search in the journal: all of the words, a condition, an asset; instants in ms."""

    words: tuple[str, ...] = ()
    condition: str = ""
    asset: str = ""
    start: int | None = None
    end: int | None = None
    alarms_only: bool = True
    limit: int = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureLine:
    """One measure of alarm system performance, the acceptable value and the alarms behind it."""

    what: str
    value: str
    acceptable: str
    source: str
    more: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryServices:
    """Queries of the journal's history. Instants are ms, ends exclusive."""

    alarms: Callable[[int, int, Sequence[str]], Awaitable[Sequence[AlarmTransition]]]
    """``(start, end, assets)``: transitions of their and their contacts' alarms, oldest first."""
    estimates: Callable[[str, str, int, int], Awaitable[Sequence[EstimateMade]]]
    """``(quantity, asset, start, end)``: oldest first."""
    find: Callable[[Search], Awaitable[Sequence[Event]]]
    """Newest first."""
    measures: Callable[[int, int], Awaitable[Sequence[MeasureLine]]]
    deliveries: Callable[[int], Awaitable[Sequence[Delivery]]]
    """The newest deliveries, without their bodies."""


def _read_only() -> AccessPolicy:
    """Return the policy of a board without accounts, on which nothing can be changed."""
    return AccessPolicy(sessions=SessionManager(None, SystemClock()))


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkServices:
    """Services of the pages behind the links in messages."""

    read: Callable[[str, int], Link]
    """``(token, now)``: the link of the token; raises ``LinkRefused``."""
    name: Callable[[str], str]
    """Display name of a person of the site file."""
    history: Callable[[str], Awaitable[Sequence[AlarmTransition]]]
    """Every event of one occurrence, oldest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CommissioningView:
    """The dialogue of a commissioning."""

    state: str
    """``asking`` a person, ``working`` on the device, or ``stopped``."""
    lines: tuple[str, ...]
    question: str
    secret: bool = False
    """Whether the answer is a password."""
    title: str = ""
    head: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    """A table that is shown live while the question is open."""
    notes: tuple[str, ...] = ()


class CommissioningServices(Protocol):
    """The commissioning that a board leads; all but ``view`` may take seconds."""

    def view(self) -> CommissioningView:
        """Return the dialogue so far."""

    def start(self) -> None:
        """Begin, or go on."""

    def answer(self, question: str, text: str, /) -> None:
        """Answer the open question."""

    def stop_asking(self) -> None:
        """Stop asking the device."""

    def leave(self) -> None:
        """End the dialogue; what was answered is kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardServices:
    """The services of one site's board; only the ``async`` ones do I/O.

    ``act`` raises ``ActionRefused`` when the present state does not allow the action.
    ``plant`` and ``settings`` are callables because a re-read site file replaces them.
    """

    plant: Callable[[], Plant]
    settings: Callable[[], ConditionSettings]
    clock: Clock
    picture: LivePicture
    alarms: Callable[[], Sequence[LiveAlarm]]
    not_monitored: Callable[[], Sequence[NotMonitored]]
    fills: Callable[[], Sequence[DeclaredFill]]
    baselines: Callable[[], Sequence[Baseline]]
    act: Callable[[OperatorAction], Awaitable[Sequence[Event]]]
    trend: Callable[[str, int, int, int], Awaitable[Sequence[TrendStep]]]
    """``(point, start, end, step)``, instants and step in ms."""
    events: Callable[[int, int], Awaitable[Sequence[Event]]]
    """``(start, end)`` in ms; events in time order."""
    estimates: Callable[[], Sequence[EstimateMade]]
    """The latest estimate of each quantity and asset."""
    statistics: Callable[[], CollectorStatistics]
    past: HistoryServices
    handbook: Callable[[str], tuple[str, str] | None]
    """Title and HTML (every word escaped) of a page; ``None`` where no page has that id."""
    version: str
    acceptance: AcceptanceService | None = None
    """The acceptance records; its methods read the disk and belong in a thread."""
    access: AccessPolicy = field(default_factory=_read_only)
    live: Live = field(default_factory=Live)
    """Notifies open pages of changes."""
    record_event: Callable[[str, str, Mapping[str, str]], None] = lambda fact, text, values: None
    """``(fact, text, values)``: puts an event of the board itself into the journal."""
    windows: Callable[[], Sequence[Window]] = tuple
    """Impairments and visits in force."""
    planned: Callable[[], Sequence[Window]] = tuple
    """Impairments and visits that begin later."""
    handbook_picture: Callable[[str], bytes | None] = lambda name: None
    """A picture (PNG) of the handbook's pages; ``None`` where there is none of that name."""
    commissioning: CommissioningServices | None = None
    links: LinkServices | None = None
    """``None`` where messages carry no links."""
    reports: Path | None = None
    """The folder of the reports; without one there is no page of them."""
    incidents: Path | None = None
    """The folder of photos of alarms; without one none are taken."""
    make_report: Callable[[int, int], Awaitable[None]] | None = None
    """``(start, end)`` in ms: makes the report of a period; raises ``QuietpipeError``."""


_TURN_WITHIN = 15_000
"""ms of real time within which the rules must have run; they run every second."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """Whether the monitor is alive, and every reason why not."""

    alive: bool
    reasons: tuple[str, ...] = ()


def pace_of(clock: object) -> float:
    """Return how many times as fast as real time a clock runs.

    Liveness is a matter of real time: a delay of 15 s of the machine is 100 min on a clock that
    runs 400 times as fast.
    """
    return max(float(getattr(clock, "speed", 1.0)), 1.0)


def check_health(statistics: CollectorStatistics, now: int, pace: float = 1.0) -> Health:
    """Return whether the rules run and the journal can write. ``now`` in ms."""
    reasons = []
    longest = round(_TURN_WITHIN * pace)
    last = statistics.last_turn
    if last is None:
        reasons.append("the rules have not run since the collector started, "
                       f"{duration_text(now - statistics.started)} ago")
    elif now - last > longest:
        reasons.append(f"the rules last ran {duration_text(now - last)} ago")
    if statistics.journal_trouble:
        reasons.append(f"the journal cannot write: {statistics.journal_trouble}")
    return Health(alive=not reasons, reasons=tuple(reasons))
