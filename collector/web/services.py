"""What the board is given: callables and facts, so that it knows neither journal nor daemon."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from collector.acceptance import Desk
from collector.clock import Clock, SystemClock
from collector.domain.actions import Action
from collector.domain.baselines import Baseline
from collector.domain.deliveries import Delivery
from collector.domain.events import AlarmMoved, EstimateMade, Event
from collector.domain.fills import DeclaredFill
from collector.domain.links import Link
from collector.domain.live import LiveAlarm, LivePicture
from collector.domain.plant import Plant
from collector.domain.trends import TrendStep
from collector.domain.verdicts import NotWatched
from collector.domain.windows import Window
from collector.people import Doorkeeper
from collector.web.door import Door
from collector.web.live import Live

__all__ = [
    "BoardServices", "CollectorStatistics", "DeviceStatistics", "ForwardStatistics",
    "LinkServices", "MeasureLine", "PastServices", "Search",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceStatistics:
    """How one device is doing. Instants are ms since 1970 UTC, durations ms."""

    device: str
    answering: bool
    last_answer: int | None = None
    polls: int = 0
    failures: int = 0
    lateness: int | None = None
    """How late the last poll began against its grid."""
    why: str = ""
    """Why it does not answer, or answers badly; empty when all is well."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ForwardStatistics:
    """How one far end is doing. Counts since the start; ``last_sent`` in ms since 1970 UTC.

    ``behind`` and ``missing`` are commits: the newest not sent yet, and those of an outage that are
    still to be made up for. ``why`` is empty when the last try succeeded.
    """

    target: str
    reachable: bool
    sent: int = 0
    aside: int = 0
    withheld: int = 0
    too_old: int = 0
    failed_tries: int = 0
    behind: int = 0
    missing: int = 0
    lost: int = 0
    last_sent: int | None = None
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CollectorStatistics:
    """How the collector itself is doing. Instants are ms since 1970 UTC.

    ``journal_trouble`` says why the journal cannot write and is empty when it can. ``numbers`` are
    further figures for ``/metrics``, each a gauge ``quietpipe_<name>``.
    """

    started: int
    last_turn: int | None
    """When the rules were last run."""
    last_commit: int | None = None
    journal_trouble: str = ""
    readings: int = 0
    events: int = 0
    commits: int = 0
    commit_failures: int = 0
    waiting: int = 0
    """Readings in memory that no commit has taken yet."""
    dropped: int = 0
    """Readings given up because the journal could not write for too long."""
    deliveries_waiting: int = 0
    deliveries_given_up: int = 0
    devices: tuple[DeviceStatistics, ...] = ()
    forwards: tuple[ForwardStatistics, ...] = ()
    numbers: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """What to look for in the journal: every word, a condition, an asset; instants in ms."""

    words: tuple[str, ...] = ()
    condition: str = ""
    asset: str = ""
    start: int | None = None
    end: int | None = None
    alarms_only: bool = True
    limit: int = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureLine:
    """One measure of the alarm system, what the standard calls acceptable, and which alarms."""

    what: str
    value: str
    acceptable: str
    source: str
    more: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PastServices:
    """What is asked of the journal's past. Instants are ms, ends excluded."""

    alarms: Callable[[int, int, Sequence[str]], Awaitable[Sequence[AlarmMoved]]]
    """``(start, end, assets)``: every alarm transition of these and their contacts, oldest first.
    """
    estimates: Callable[[str, str, int, int], Awaitable[Sequence[EstimateMade]]]
    """``(quantity, asset, start, end)``: oldest first."""
    find: Callable[[Search], Awaitable[Sequence[Event]]]
    """Newest first."""
    measures: Callable[[int, int], Awaitable[Sequence[MeasureLine]]]
    deliveries: Callable[[int], Awaitable[Sequence[Delivery]]]
    """The newest ones, without their bodies."""


def _nobody() -> Door:
    """Return a door for a board on which nothing can be changed."""
    return Door(keeper=Doorkeeper(None, SystemClock()))


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkServices:
    """What the pages behind the links in messages need."""

    read: Callable[[str, int], Link]
    """Token and now to what it says; raises ``LinkRefused``."""
    name: Callable[[str], str]
    """How people call a person of the site file."""
    history: Callable[[str], Awaitable[Sequence[AlarmMoved]]]
    """Every event of one occurrence, oldest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardServices:
    """Everything the board may ask for; all of it is cheap and does no I/O but the ``async`` ones.

    ``act`` raises ``ActionRefused`` when what stands does not allow what was asked.
    ``plant`` is a callable because a re-read site file replaces the plant. ``door`` decides who
    gets in. ``note`` puts a fact of the board's own into the journal: ``(fact, text, values)``.
    """

    plant: Callable[[], Plant]
    clock: Clock
    picture: LivePicture
    alarms: Callable[[], Sequence[LiveAlarm]]
    not_watched: Callable[[], Sequence[NotWatched]]
    fills: Callable[[], Sequence[DeclaredFill]]
    baselines: Callable[[], Sequence[Baseline]]
    act: Callable[[Action], Awaitable[Sequence[Event]]]
    trend: Callable[[str, int, int, int], Awaitable[Sequence[TrendStep]]]
    """``(point, start, end, step)``, instants and step in ms."""
    events: Callable[[int, int], Awaitable[Sequence[Event]]]
    """``(start, end)`` in ms; events in time order."""
    estimates: Callable[[], Sequence[EstimateMade]]
    """The latest estimate of each quantity and asset."""
    statistics: Callable[[], CollectorStatistics]
    past: PastServices
    handbook: Callable[[str], tuple[str, str] | None]
    """Title and HTML (every word escaped) of a page; ``None`` where no page has that id."""
    version: str
    acceptance: Desk | None = None
    """Where acceptances are kept; its methods read the disk and belong into a thread."""
    door: Door = field(default_factory=_nobody)
    live: Live = field(default_factory=Live)
    """Tells open pages that something has changed."""
    note: Callable[[str, str, Mapping[str, str]], None] = lambda fact, text, values: None
    windows: Callable[[], Sequence[Window]] = tuple
    """Impairments and planned visits that last."""
    links: LinkServices | None = None
    """Without them no link in a message opens anything."""
    reports: Path | None = None
    """The folder that reviews are made in; without one there is no page of them."""
