"""The board's pages: each route collects facts, passes them to a view and fills a template."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Mapping, Sequence

from markupsafe import Markup

from collector.domain.errors import QuietpipeError
from collector.domain.events import Event
from collector.domain.plant import Thing
from collector.domain.readings import QUANTITIES, TrendStep, point_kind, split_point
from collector.domain.units import DAY, HOUR
from collector.web.access import HttpError
from collector.web.services import BoardServices, check_health, pace_of
from collector.web.views import BoardFacts
from collector.web.views.alarms import AlarmView
from collector.web.views.sparkline import plotted_point, sparkline
from collector.web.views.trends import Occurrence, occurrences

_log = logging.getLogger(__name__)

_LEAST, _STEPS = 6 * HOUR, 60
"""Shortest time (ms) that a trend beside an alarm shows, and its steps."""
_BEFORE = 7 * DAY
"""ms before a time range in which an alarm that is active in it may have begun."""


async def board_facts(services: BoardServices, *, log: bool = True) -> BoardFacts:
    """Return the present state, and with ``log`` the events of the last 24 hours."""
    now = services.clock.now()
    events: Sequence[Event] = ()
    trouble = ""
    try:
        if log:
            events = await services.events(now - DAY, now + 1)
    except QuietpipeError as error:
        # The present state is known without the journal, and matters most when that is in trouble.
        trouble = str(error)
    statistics, pace = services.statistics(), pace_of(services.clock)
    return BoardFacts(
        plant=services.plant(), points=services.picture.points(), alarms=services.alarms(),
        not_monitored=services.not_monitored(), fills=services.fills(),
        baselines=services.baselines(), estimates=services.estimates(),
        windows=services.windows(),
        events=events, log_trouble=trouble, statistics=statistics, now=now, pace=pace,
        health=check_health(statistics, now, pace),
    )


def asset_of(services: BoardServices, asset_id: str, kind: str = "") -> Thing:
    """Return an asset of the plant; raise ``HttpError`` (404) for an unknown one."""
    asset = services.plant().thing(asset_id)
    if asset is None or (kind and asset.kind != kind):
        raise HttpError(404, f"This site has no such {kind or 'asset'}.")
    return asset


def points_of(services: BoardServices, asset: Thing) -> list[str]:
    """Return the points of an asset that are configured or have had a reading, in a fixed order."""
    plant = services.plant()
    configured = {p for device in plant.devices.values() for p in device.points}
    mine = {split_point(p)[1] for p in configured | set(services.picture)
            if split_point(p)[0] == asset.id}
    order = [name for base in QUANTITIES[asset.kind] for name in (base, f"{base}_no", f"{base}_nc")]
    return [f"{asset.id}.{name}" for name in order if name in mine
            and point_kind(asset.kind, name) is not None]


async def trends(
    services: BoardServices, points: Sequence[str], start: int, end: int, step: int,
) -> Mapping[str, Sequence[TrendStep]]:
    found = await asyncio.gather(*(services.trend(p, start, end, step) for p in points))
    return dict(zip(points, found, strict=True))


async def occurrences_of(
    services: BoardServices, asset: Thing, start: int, end: int,
) -> list[Occurrence]:
    """Return the alarms of an asset, its contacts and devices active between two instants."""
    plant = services.plant()
    devices = {d.id for d in plant.devices.values()
               if any(split_point(p)[0] == asset.id for p in d.points)}

    def mine(name: str) -> bool:
        return name == asset.id or name.startswith(f"{asset.id}.") or name in devices

    events = await services.past.alarms(start - _BEFORE, end, sorted({asset.id, *devices}))
    return [o for o in occurrences([e for e in events if mine(e.asset)],
                                [a for a in services.alarms() if mine(a.asset)])
            if o.start < end and (o.end is None or o.end > start)]


async def sparklines(
    services: BoardServices, alarms: Sequence[AlarmView],
) -> Mapping[str, Markup]:
    """Return, by alarm, the trend of the quantity that its condition is marked on."""
    plant, now = services.plant(), services.clock.now()
    named = {a.id: (a, name) for a in alarms
             if (name := plotted_point(plant, a.condition, a.asset)) is not None
             and services.picture.get(name) is not None}

    async def drawn(alarm: AlarmView, name: str) -> Markup | None:
        span = min(max(round(1.25 * (now - alarm.since.instant)), _LEAST), _BEFORE)
        steps = await services.trend(name, now - span, now, span // _STEPS)
        return sparkline(plant, services.settings(), name, steps, start=now - span, end=now)

    try:
        found = await asyncio.gather(*(drawn(*one) for one in named.values()))
    except QuietpipeError as error:
        # The alarms are known without the journal, and matter most when that is in trouble.
        _log.warning("no trends beside the alarms: %s", error)
        return {}
    return {name: svg for name, svg in zip(named, found, strict=True) if svg is not None}
