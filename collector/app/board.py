"""The board's services, put together from the daemon's parts, and the task that serves them."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from collector import __version__
from collector.app.commissioning_session import CommissioningSession
from collector.app.history_queries import events_query, past_services, trend_query
from collector.app.pipeline import Pipeline
from collector.app.statistics import StatisticsReader
from collector.app.wiring import link_services, open_acceptance
from collector.clock import Clock
from collector.config import SiteConfig
from collector.domain.events import EstimateMade
from collector.domain.links import LinkSigner
from collector.domain.live import LivePicture
from collector.handbook import find_html
from collector.journal import Journal
from collector.people import PEOPLE, Accounts, AccountsError, SessionManager
from collector.web.access import LOOPBACK, AccessPolicy
from collector.web.app import create_app
from collector.web.live import Live
from collector.web.server import serve
from collector.web.services import BoardServices

__all__ = ["BoardParts", "board_services", "open_accounts", "start_board"]

_log = logging.getLogger(__name__)


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
        not_monitored=lambda: pipeline.monitor.not_monitored(),
        fills=lambda: pipeline.monitor.fills(), baselines=lambda: pipeline.monitor.baselines(),
        windows=lambda: pipeline.monitor.windows(), act=pipeline.act,
        trend=trend_query(journal), events=events_query(journal),
        estimates=lambda: list(parts.estimates()), statistics=parts.statistics.read,
        version=__version__, acceptance=open_acceptance(lambda: config().plant, data, journal),
        handbook=find_html, record_event=parts.record_event, access=access, live=parts.live,
        past=past_services(lambda: journal, lambda: config().plant), reports=data / "reports",
        commissioning=CommissioningSession(
            config().path, parts.real,
            lambda: frozenset(device.address for device in config().devices)),
        links=link_services(config, parts.signer, lambda: journal),
    )


def open_accounts(data: Path) -> Accounts | None:
    """Return the accounts kept in a data folder, or ``None`` where they cannot be read."""
    try:
        return Accounts(data / PEOPLE)
    except AccountsError as error:
        # Monitoring must go on, and its pages with it; only sign-in is off.
        _log.error("sign-in is not possible: %s", error)
        return None


async def start_board(
    services: BoardServices, listen: tuple[str, int], live: Live,
) -> tuple[asyncio.Task[None], str]:
    """Serve the board; return its task and its address.

    Raises the error that kept it from starting.
    """
    up: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    board = asyncio.create_task(
        serve(create_app(services), *listen, on_ready=up.set_result, on_end=live.close),
        name="board")
    started: set[asyncio.Future[Any]] = {board, up}
    await asyncio.wait(started, return_when=asyncio.FIRST_COMPLETED)
    if not up.done():
        up.cancel()
        board.result()
    address = up.result()
    _log.info("the board is at %s", address)
    return board, address
