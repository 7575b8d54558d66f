"""The board's services, put together from the daemon's parts, and the task that serves them."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from collector import __version__
from collector.alarms.performance import YARDSTICKS, Measures, measure
from collector.app.commissioning_session import CommissioningSession
from collector.app.jobs import Connections
from collector.app.pipeline import Pipeline
from collector.app.wiring import link_services, open_acceptance
from collector.clock import Clock
from collector.config import SiteConfig
from collector.domain.conditions import CATALOGUE
from collector.domain.errors import JournalError
from collector.domain.evaluations import missing_here
from collector.domain.events import AlarmTransition, EstimateMade, Event
from collector.domain.live import ForwardStatistics, LivePicture
from collector.domain.messages import Delivery, LinkSigner
from collector.domain.plant import Plant
from collector.domain.units import MINUTE
from collector.handbook import find_html, find_picture
from collector.journal import Journal, JournalStatistics
from collector.people import PEOPLE, Accounts, AccountsError
from collector.people.sessions import SessionManager
from collector.reports.scheduled import ReportRequest, made_in_process
from collector.reports.times import Period
from collector.web.access import LOOPBACK, AccessPolicy
from collector.web.app import create_app, serve
from collector.web.render import Live
from collector.web.services import (
    BoardServices,
    CollectorStatistics,
    HistoryServices,
    MeasureLine,
    Search,
)

ENOUGH = 30
"""Alarms below which a share of them says nothing (setting: a share of 30 is good to 9 %)."""
_FRESH = MINUTE
"""ms for which measures over weeks are served from memory."""
_ESTIMATES = 3000
"""Most estimates of one quantity read for one plot: years of daily ones."""


def past_services(journal: Callable[[], Journal], plant: Callable[[], Plant]) -> HistoryServices:
    """Return the services that read the journal's history; ``journal`` is called for each."""
    async def alarms(start: int, end: int, assets: Sequence[str]) -> Sequence[AlarmTransition]:
        return await asyncio.to_thread(_alarms, journal(), start, end, assets)

    async def estimates(
        quantity: str, asset: str, start: int, end: int,
    ) -> Sequence[EstimateMade]:
        return await asyncio.to_thread(_estimates, journal(), quantity, asset, start, end)

    async def find(search: Search) -> Sequence[Event]:
        return await asyncio.to_thread(_find, journal(), search)

    measured: dict[int, tuple[int, Sequence[MeasureLine]]] = {}

    async def measures(start: int, end: int) -> Sequence[MeasureLine]:
        at, lines = measured.get(end - start, (end - _FRESH, ()))
        if not 0 <= end - at < _FRESH:
            # From the first alarm on, since alarms active at the start of the span count too. That
            # is all there ever was, and an open page repeats the query.
            events = await asyncio.to_thread(_alarms, journal(), None, end)
            lines = measure_lines(measure(events, start, end), plant())
            measured[end - start] = (end, lines)
        return lines

    async def deliveries(limit: int) -> Sequence[Delivery]:
        return await asyncio.to_thread(lambda: journal().recent_deliveries(limit))

    return HistoryServices(alarms=alarms, estimates=estimates, find=find, measures=measures,
                        deliveries=deliveries)


def trend_query(journal: Journal) -> Callable[[str, int, int, int], Awaitable[Sequence[Any]]]:
    """Return a function that reads a point's trend in a thread: point, start, end, step (ms)."""
    async def trend(point: str, start: int, end: int, step: int) -> Sequence[Any]:
        return await asyncio.to_thread(journal.trend, point, start, end, step)

    return trend


def events_query(journal: Journal) -> Callable[[int, int], Awaitable[Sequence[Event]]]:
    """Return a function that reads the events of a span in a thread: start, end (ms)."""
    async def events(start: int, end: int) -> Sequence[Event]:
        return await asyncio.to_thread(
            lambda: [s.event for s in journal.events(start=start, end=end)])

    return events


def _alarms(
    journal: Journal, start: int | None, end: int, assets: Sequence[str] = (),
) -> list[AlarmTransition]:
    """Return the alarm transitions of some assets and their contacts; of all where none is named.

    Lines are filtered as text: to decode one takes longer than to skip it.
    """
    # What follows an id ends it, or begins the name of a contact.
    lines = [f'"asset":"{asset}{after}' for asset in assets for after in '".']
    return [s.event for s in journal.events(start=start, end=end, kind="alarm", holding=lines)
            if isinstance(s.event, AlarmTransition)]


def _estimates(
    journal: Journal, quantity: str, asset: str, start: int, end: int,
) -> list[EstimateMade]:
    line = f'"quantity":"{quantity}","asset":"{asset}"'
    found = journal.find_events(kinds=("estimate",), exactly=(line,), start=start, end=end,
                                limit=_ESTIMATES)
    return [s.event for s in reversed(found) if isinstance(s.event, EstimateMade)]


def _find(journal: Journal, search: Search) -> list[Event]:
    holding = [*search.words]
    if search.condition:
        holding.append(f'"condition":"{search.condition}"')
    if search.asset:
        holding.append(f'"asset":"{search.asset}')  # its contacts too: their ids begin with it
    kinds = ("alarm",) if search.alarms_only or search.condition else ()
    found = journal.find_events(kinds=kinds, without=("estimate",), holding=holding,
                                start=search.start, end=search.end, limit=search.limit)
    return [s.event for s in found]


def _place(plant: Plant, condition: str, asset: str) -> str:
    known = CATALOGUE.get(condition)
    return f"{known.title if known else condition}, {plant.name_of(asset)}"


def measure_lines(made: Measures, plant: Plant) -> tuple[MeasureLine, ...]:
    """Return a line for each measure, with the standard's acceptable value."""
    def line(key: str, what: str, value: str, *more: str) -> MeasureLine:
        stick = YARDSTICKS[key]
        return MeasureLine(what=what, value=value, acceptable=stick.acceptable,
                           source=stick.source, more=more)

    def share(part: float | None) -> str:
        return "–" if part is None else f"{part:.1%}".replace("%", " %")

    def names(some: Sequence[object]) -> list[str]:
        return [_place(plant, getattr(s, "condition"), getattr(s, "asset"))  # noqa: B009
                + (f" ({getattr(s, 'count')})" if hasattr(s, "count") else "")  # noqa: B009
                for s in some[:10]]

    few = 0 < made.raised < ENOUGH

    def of_enough(value: str) -> str:
        """Return a share, or why it says nothing yet."""
        return f"too few to judge: {made.raised} of {ENOUGH} alarms" if few else value

    priorities = ", ".join(f"{share(part)} {p.value}" for p, part in made.priorities.items())
    return (
        line("per_day", "Alarms a day", f"{made.per_day:.1f}"),
        line("per_hour", "Alarms an hour", f"{made.per_hour:.2f}; most {made.most_in_hour}"),
        line("per_ten_minutes", "Alarms in 10 minutes",
             f"{made.per_ten_minutes:.2f}; most {made.most_in_ten}"),
        line("hours_above", "Hours with more than 30", share(made.hours_above)),
        line("flood_share", "Time in floods",
             f"{share(made.flood_share)}; {len(made.floods)} of them"),
        line("top_share", "The most frequent ten, of all", of_enough(share(made.top_share)),
             *names(made.frequent)),
        line("chattering", "Chattering", str(len(made.chattering)), *names(made.chattering)),
        line("fleeting", "Fleeting", str(len(made.fleeting)), *names(made.fleeting)),
        line("stale", "Stale, on the worst day", str(made.stale_on_worst_day),
             *names(made.stale)),
        line("priorities", "By priority", of_enough(priorities)),
    )


_log = logging.getLogger(__name__)

_JOURNAL_EVERY = 1000
"""ms between two counts of the journal's rows: each takes a moment, and every page asks."""


class StatisticsReader:
    """Collects the counts of the daemon's parts. ``clock`` is the machine's own."""

    def __init__(
        self, *, started: int, clock: Clock, pipeline: Pipeline, journal: Journal,
        connections: Connections,
    ) -> None:
        self._started, self._clock, self._pipeline = started, clock, pipeline
        self._journal, self._connections = journal, connections
        self._counted: JournalStatistics | None = None
        self._counted_at = -_JOURNAL_EVERY

    def read(self) -> CollectorStatistics:
        """Return the counts of now; those of the journal may be a second old."""
        store = self._journal_statistics()
        waiting = store.deliveries if store is not None else {}
        return CollectorStatistics(
            **asdict(self._pipeline.statistics()), started=self._started,
            deliveries_given_up=self._connections.outbox.statistics().given_up,
            deliveries_waiting=sum(waiting.get(state, 0) for state in ("waiting", "begun")),
            devices=self._connections.poller.statistics(), forwards=tuple(self._forwards()),
            numbers={**({"journal_bytes": store.bytes} if store is not None else {}),
                     **self._connections.mqtt.statistics().numbers()},
        )

    def _journal_statistics(self) -> JournalStatistics | None:
        now = self._clock.monotonic()
        if now - self._counted_at >= _JOURNAL_EVERY:
            self._counted_at = now
            try:
                self._counted = self._journal.statistics()
            except JournalError as error:
                _log.warning("the journal gives no statistics: %s", error)
                self._counted = None
        return self._counted

    def _forwards(self) -> Iterator[ForwardStatistics]:
        one = self._connections.influx.statistics()
        if one.on:
            yield one


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardParts:
    """The parts of the daemon that the board reads or acts through.

    ``clock`` is the daemon's, ``real`` the machine's own: people and password attempts
    do not run faster in a demo. ``config`` and ``signer`` change when the site file is read again.
    """

    config: Callable[[], SiteConfig]
    signer: Callable[[], LinkSigner]
    clock: Clock
    real: Clock
    journal: Journal
    pipeline: Pipeline
    picture: LivePicture
    estimates: Callable[[], Collection[EstimateMade]]
    statistics: StatisticsReader
    live: Live
    accounts: Accounts | None
    listen: tuple[str, int]
    token: str | None
    record_event: Callable[[str, str, Mapping[str, Any]], None]


def board_services(parts: BoardParts) -> BoardServices:
    """Return what the board's pages and API read and do."""
    config, journal, pipeline = parts.config, parts.journal, parts.pipeline
    data, board = config().data, config().board
    access = AccessPolicy(
        sessions=SessionManager(parts.accounts, parts.real), token=parts.token,
        reading=board.reading, public_address=board.public_address,
        listens_locally=parts.listen[0] in LOOPBACK,
    )
    return BoardServices(
        settings=lambda: config().settings, plant=lambda: config().plant, clock=parts.clock,
        picture=parts.picture,
        alarms=lambda: pipeline.monitor.alarms(),
        not_monitored=lambda: list(missing_here(pipeline.monitor.not_monitored())),
        fills=lambda: pipeline.monitor.fills(), baselines=lambda: pipeline.monitor.baselines(),
        windows=lambda: pipeline.monitor.windows(),
        planned=lambda: pipeline.monitor.planned_windows(), act=pipeline.act,
        trend=trend_query(journal), events=events_query(journal),
        estimates=lambda: list(parts.estimates()), statistics=parts.statistics.read,
        version=__version__, acceptance=open_acceptance(lambda: config().plant, data, journal),
        handbook=find_html, handbook_picture=find_picture,
        record_event=parts.record_event, access=access, live=parts.live,
        past=past_services(lambda: journal, lambda: config().plant), reports=data / "reports",
        make_report=_report_maker(config, parts.clock), incidents=data / "incidents",
        commissioning=CommissioningSession(
            config().path, parts.real,
            lambda: frozenset(device.address for device in config().devices)),
        links=link_services(config, parts.signer, lambda: journal),
    )


def _report_maker(
    config: Callable[[], SiteConfig], clock: Clock,
) -> Callable[[int, int], Awaitable[None]]:
    """Return the function that makes the report of a period in a process of its own."""
    async def make(start: int, end: int) -> None:
        now = clock.now()
        await made_in_process(ReportRequest(
            site_file=config().path, folder=config().data / "reports", made=now,
            period=Period(start=start, end=min(end, now), due=now), allow_empty=False))

    return make


def open_accounts(data: Path) -> Accounts | None:
    """Return the accounts kept in a data folder, or ``None`` where they cannot be read."""
    try:
        return Accounts(data / PEOPLE)
    except AccountsError as error:
        # Monitoring must go on, and its pages with it; only sign-in is off.
        _log.error("sign-in is not possible: %s", error)
        return None


async def start_board(
    services: BoardServices, listen: tuple[str, int], live: Live, proxies: Sequence[str] = (),
) -> tuple[asyncio.Task[None], str]:
    """Serve the board; return its task and its address.

    Raises the error that kept it from starting.
    """
    up: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    board = asyncio.create_task(
        serve(create_app(services), *listen, on_ready=up.set_result, on_end=live.close,
              proxies=proxies),
        name="board")
    started: set[asyncio.Future[Any]] = {board, up}
    await asyncio.wait(started, return_when=asyncio.FIRST_COMPLETED)
    if not up.done():
        up.cancel()
        board.result()
    address = up.result()
    _log.info("the board is at %s", address)
    return board, address
