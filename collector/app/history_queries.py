"""Queries of the board for history, run in threads on the journal."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from typing import Any

from collector.alarms.performance import YARDSTICKS, Measures, measure
from collector.domain.conditions import CATALOGUE
from collector.domain.deliveries import Delivery
from collector.domain.events import AlarmTransition, EstimateMade, Event
from collector.domain.plant import Plant
from collector.domain.units import MINUTE
from collector.journal import Journal
from collector.web.services import HistoryServices, MeasureLine, Search

__all__ = ["events_query", "past_services", "trend_query"]

_FRESH = MINUTE
"""ms for which measures over weeks are served from memory."""
_ESTIMATES = 3000
"""Most estimates of one quantity read for one plot: years of daily ones."""


def past_services(journal: Callable[[], Journal], plant: Callable[[], Plant]) -> HistoryServices:
    """Return the query for past services; ``journal`` is called for each, as it may be replaced."""
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

    priorities = ", ".join(f"{share(part)} {p.value}" for p, part in made.priorities.items())
    return (
        line("per_day", "Alarms a day", f"{made.per_day:.1f}"),
        line("per_hour", "Alarms an hour", f"{made.per_hour:.2f}; most {made.most_in_hour}"),
        line("per_ten_minutes", "Alarms in 10 minutes",
             f"{made.per_ten_minutes:.2f}; most {made.most_in_ten}"),
        line("hours_above", "Hours with more than 30", share(made.hours_above)),
        line("flood_share", "Time in floods",
             f"{share(made.flood_share)}; {len(made.floods)} of them"),
        line("top_share", "The most frequent ten, of all", share(made.top_share),
             *names(made.frequent)),
        line("chattering", "Chattering", str(len(made.chattering)), *names(made.chattering)),
        line("fleeting", "Fleeting", str(len(made.fleeting)), *names(made.fleeting)),
        line("stale", "Stale, on the worst day", str(made.stale_on_worst_day),
             *names(made.stale)),
        line("priorities", "By priority", priorities),
    )
