"""The alarms: live, measured, and searched in the journal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import HTMLResponse

from collector.domain.conditions import CATALOGUE
from collector.domain.events import AlarmMoved, EstimateMade, Event, FactNoted
from collector.domain.plant import Plant
from collector.web.asks import read_day
from collector.web.board_lists import When, about_of, place_of, title_of, when_of
from collector.web.board_view import board_view
from collector.web.gathering import board_facts
from collector.web.refusals import Refusal
from collector.web.render import page
from collector.web.services import BoardServices, Search
from collector.web.words import TRANSITION_WORDS

__all__ = ["add_alarm_pages"]

_DAY = 86_400_000
_MEASURED = 30 * _DAY
"""What IEC 62682 / ISA-18.2 ask measures to be taken over."""
_PAGE = 100


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryView:
    """One entry of the history."""

    when: When
    title: str
    about: str
    where: str
    what: str
    text: str


def _entry(event: Event, plant: Plant, zone: ZoneInfo, now: int) -> EntryView:
    when = when_of(event.time, zone, now)
    match event:
        case AlarmMoved():
            who = f" by {event.by}" if event.by else ""
            why = f": {event.why}" if event.why else ""
            return EntryView(
                when=when, title=title_of(event.condition), about=about_of(event.condition),
                where=place_of(plant, event.asset),
                what=f"{TRANSITION_WORDS[event.transition]}{who}{why}", text=event.text,
            )
        case FactNoted():
            return EntryView(when=when, title="The collector", about="", where="",
                             what=event.text, text="")
        case EstimateMade():
            raise AssertionError("the search leaves estimates out")


def add_alarm_pages(app: FastAPI, services: BoardServices) -> None:
    """Add the page of the alarms."""
    @app.get("/alarms", include_in_schema=False)
    async def alarms(request: Request) -> HTMLResponse:
        known = await board_facts(services, log=False)
        plant, now = known.plant, known.now
        zone = ZoneInfo(plant.site.timezone)
        search = _search(request, services, zone)
        found = await services.past.find(search)
        shown = [_entry(e, plant, zone, now) for e in found[:_PAGE]]
        older = ""
        if len(found) > _PAGE:
            kept = {k: v for k, v in request.query_params.items() if k != "before"}
            # The same instant again rather than a gap: entries may share it.
            older = "?" + urlencode(kept | {"before": str((found[_PAGE - 1].time + 999) // 1000)})
        return page(
            request, "alarms.html", board=board_view(known), entries=shown, older=older,
            asked=_asked(request), things=_things(plant), conditions=_conditions(),
            measures=await services.past.measures(now - _MEASURED, now),
        )


def _asked(request: Request) -> dict[str, str]:
    names = ("q", "thing", "condition", "from", "to", "all")
    return {name: request.query_params.get(name, "")[:200] for name in names}


def _search(request: Request, services: BoardServices, zone: ZoneInfo) -> Search:
    asked, plant = _asked(request), services.plant()
    words = tuple(asked["q"].split())
    if len(words) > 12:
        raise Refusal(400, "Too many words: twelve at most.")
    thing = asked["thing"]
    if thing and plant.thing(thing) is None and thing not in plant.devices:
        raise Refusal(404, "This site has no such thing.")
    if asked["condition"] and asked["condition"] not in CATALOGUE:
        raise Refusal(404, "There is no such condition.")
    before = request.query_params.get("before", "")
    end = int(before) * 1000 + 1 if before.isdecimal() and len(before) < 12 else None
    to = read_day("to", asked["to"], zone, after=True)
    return Search(
        words=tuple(map(_as_written, words)),
        condition=asked["condition"], asset=thing, start=read_day("from", asked["from"], zone),
        end=min((e for e in (end, to) if e is not None), default=None),
        alarms_only=not asked["all"], limit=_PAGE + 1,
    )


def _as_written(word: str) -> str:
    # The lines are JSON: what JSON writes with a backslash is looked for as it stands there.
    return word.replace("\\", "\\\\").replace('"', '\\"')


def _things(plant: Plant) -> Sequence[tuple[str, str]]:
    return [(t.id, t.name) for t in plant.things()] + \
        [(d.id, d.name) for d in plant.devices.values()]


def _conditions() -> Sequence[tuple[str, str]]:
    return sorted(((c, known.title) for c, known in CATALOGUE.items()), key=lambda pair: pair[1])
