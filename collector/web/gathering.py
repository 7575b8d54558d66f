"""Ask the services for what a page is made from: facts first, then pure views."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence

from collector.domain.errors import QuietpipeError
from collector.domain.events import Event
from collector.domain.plant import Thing
from collector.domain.readings import QUANTITIES, point_kind, split_point
from collector.domain.trends import TrendStep
from collector.web.board_lists import BoardFacts
from collector.web.health import judge_health, pace_of
from collector.web.refusals import Refusal
from collector.web.services import BoardServices
from collector.web.trend_view import Occurred, occurred

__all__ = ["board_facts", "happened", "points_of", "thing_of", "trends"]

_DAY = 86_400_000
_BEFORE = 7 * _DAY
"""ms before a stretch in which an alarm may have begun that still stands in it."""


async def board_facts(services: BoardServices, *, log: bool = True) -> BoardFacts:
    """Return what stands now, and with ``log`` what happened in the last 24 hours."""
    now = services.clock.now()
    events: Sequence[Event] = ()
    trouble = ""
    try:
        if log:
            events = await services.events(now - _DAY, now + 1)
    except QuietpipeError as error:
        # What stands now is known without the journal, and is wanted most when it is in trouble.
        trouble = str(error)
    statistics, pace = services.statistics(), pace_of(services.clock)
    return BoardFacts(
        plant=services.plant(), points=services.picture.points(), alarms=services.alarms(),
        not_watched=services.not_watched(), fills=services.fills(),
        baselines=services.baselines(), estimates=services.estimates(),
        events=events, log_trouble=trouble, statistics=statistics, now=now, pace=pace,
        health=judge_health(statistics, now, pace),
    )


def thing_of(services: BoardServices, thing_id: str, kind: str = "") -> Thing:
    """Return a thing of the plant, or refuse (404)."""
    thing = services.plant().thing(thing_id)
    if thing is None or (kind and thing.kind != kind):
        raise Refusal(404, f"This site has no such {kind or 'thing'}.")
    return thing


def points_of(services: BoardServices, thing: Thing) -> list[str]:
    """Return the points of a thing that are wired or have been heard of, in a steady order."""
    plant = services.plant()
    wired = {p for device in plant.devices.values() for p in device.points}
    mine = {split_point(p)[1] for p in wired | set(services.picture)
            if split_point(p)[0] == thing.id}
    order = [name for base in QUANTITIES[thing.kind] for name in (base, f"{base}_no", f"{base}_nc")]
    return [f"{thing.id}.{name}" for name in order if name in mine
            and point_kind(thing.kind, name) is not None]


async def trends(
    services: BoardServices, points: Sequence[str], start: int, end: int, step: int,
) -> Mapping[str, Sequence[TrendStep]]:
    """Return the trend of each point."""
    found = await asyncio.gather(*(services.trend(p, start, end, step) for p in points))
    return dict(zip(points, found, strict=True))


async def happened(
    services: BoardServices, thing: Thing, start: int, end: int,
) -> list[Occurred]:
    """Return the alarms of a thing, its contacts and its devices that stood in a stretch."""
    plant = services.plant()
    devices = {d.id for d in plant.devices.values()
               if any(split_point(p)[0] == thing.id for p in d.points)}

    def mine(asset: str) -> bool:
        return asset == thing.id or asset.startswith(f"{thing.id}.") or asset in devices

    events = await services.past.alarms(start - _BEFORE, end, sorted({thing.id, *devices}))
    return [o for o in occurred([e for e in events if mine(e.asset)],
                                [a for a in services.alarms() if mine(a.asset)])
            if o.start < end and (o.end is None or o.end > start)]
