"""The services of the board: callables and facts, so that it knows no journal or daemon."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from collector.acceptance import AcceptanceService
from collector.clock import Clock, SystemClock
from collector.domain.actions import OperatorAction
from collector.domain.baselines import Baseline
from collector.domain.conditions import ConditionSettings
from collector.domain.deliveries import Delivery
from collector.domain.evaluations import NotMonitored
from collector.domain.events import AlarmTransition, EstimateMade, Event
from collector.domain.fills import DeclaredFill
from collector.domain.links import Link
from collector.domain.live import LiveAlarm, LivePicture
from collector.domain.plant import Plant
from collector.domain.statistics import ForwardStatistics
from collector.domain.trends import TrendStep
from collector.domain.windows import Window
from collector.people import SessionManager
from collector.web.access import AccessPolicy
from collector.web.live import Live

__all__ = [
    "BoardServices",
    "CollectorStatistics",
    "CommissioningServices",
    "CommissioningView",
    "DeviceStatistics",
    "ForwardStatistics",
    "HistoryServices",
    "LinkServices",
    "MeasureLine",
    "Search",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceStatistics:
    """Statistics of one device. Instants are ms since 1970 UTC, durations ms."""

    device: str
    answering: bool
    last_answer: int | None = None
    polls: int = 0
    failures: int = 0
    lateness: int | None = None
    """Delay of the last poll against its grid."""
    why: str = ""
    """Reason for which it does not respond; empty when it does."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CollectorStatistics:
    """Statistics of the collector itself. Instants are ms since 1970 UTC.

    ``journal_trouble`` says why the journal cannot write and is empty when it can. ``numbers`` are
    further figures for ``/metrics``, each a gauge ``quietpipe_<name>``.
    """

    started: int
    last_turn: int | None
    """Instant of the last run of the rules."""
    last_commit: int | None = None
    journal_trouble: str = ""
    readings: int = 0
    events: int = 0
    commits: int = 0
    commit_failures: int = 0
    waiting: int = 0
    """Readings in memory that no commit has taken yet."""
    dropped: int = 0
    """Readings dropped because the journal could not write for too long."""
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
    """Active impairments and planned visits."""
    commissioning: CommissioningServices | None = None
    links: LinkServices | None = None
    """``None`` where messages carry no links."""
    reports: Path | None = None
    """The folder of the reports; without one there is no page of them."""
