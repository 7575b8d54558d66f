"""The page of the alarms: active ones, a search in the journal, alarm system performance."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from fastapi import Depends, FastAPI
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from collector.domain.actions import WINDOW_DETAILS, ActionKind
from collector.domain.basis import printed_basis
from collector.domain.conditions import CATALOGUE
from collector.domain.events import AlarmTransition, EstimateMade, Event, SystemEvent
from collector.domain.plant import Plant
from collector.domain.units import DAY
from collector.people import Role
from collector.web.access import HttpError, require
from collector.web.api import read_day, read_form
from collector.web.api.action_routes import submitted
from collector.web.pages import board_facts, sparklines
from collector.web.render import page
from collector.web.services import BoardServices, Search
from collector.web.views import (
    TRANSITION_WORDS,
    When,
    about_of,
    declared_together,
    location_of,
    title_of,
    together_words,
    when_of,
)
from collector.web.views.board import board_view
from collector.web.views.windows import declaration_views, name_of

_MEASURED = 30 * DAY
"""Period of the performance measures (IEC 62682, ISA-18.2)."""
_PAGE = 100
_SPARKS = 12
"""Alarms with a trend beside them; each is read from the journal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryView:
    """One entry of the history."""

    when: When
    title: str
    about: str
    where: str
    what: str
    text: str
    id: str = ""
    """The occurrence of the alarm; empty where the entry is of none."""


def _entry(group: Sequence[Event], plant: Plant, zone: ZoneInfo, now: int) -> EntryView:
    event, when = group[0], when_of(group[0].time, zone, now)
    if len(group) > 1:
        title, what = together_words(group, plant)
        each = "; ".join(f"{title_of(e.condition)}, {location_of(plant, e.asset)}"
                         for e in group if isinstance(e, AlarmTransition))
        return EntryView(when=when, title=title, about="", where="", what=what, text=f"{each}.")
    match event:
        case AlarmTransition():
            who = f" by {event.by}" if event.by else ""
            why = f": {event.why}" if event.why else ""
            return EntryView(
                when=when, title=title_of(event.condition), about=about_of(event.condition),
                where=location_of(plant, event.asset),
                what=f"{TRANSITION_WORDS[event.transition]}{who}{why}", text=event.text,
                id=event.id,
            )
        case SystemEvent():
            return EntryView(when=when, title="The collector", about="", where="",
                             what=event.text, text="")
        case EstimateMade():
            raise AssertionError("the search excludes estimates")


def add_alarm_page(app: FastAPI, services: BoardServices) -> None:
    """Add ``/alarms``."""
    @app.get("/alarms", include_in_schema=False)
    async def alarms(request: Request) -> HTMLResponse:
        known = await board_facts(services, log=False)
        plant, now = known.plant, known.now
        zone = ZoneInfo(plant.site.timezone)
        search = _search(request, services, zone)
        found = await services.past.find(search)
        shown = [_entry(g, plant, zone, now) for g in declared_together(found[:_PAGE])]
        older = ""
        if len(found) > _PAGE:
            kept = {k: v for k, v in request.query_params.items() if k != "before"}
            # The same instant again: several entries may share it.
            older = "?" + urlencode(kept | {"before": str((found[_PAGE - 1].time + 999) // 1000)})
        board = board_view(known)
        live = [a for a in board.alarms if a.needs_action][:_SPARKS]
        return page(
            request, "alarms.html", board=board, entries=shown, older=older,
            sparks=await sparklines(services, live),
            asked=_fields(request), things=_things(plant), conditions=_conditions(),
            measures=await services.past.measures(now - _MEASURED, now),
        )


def _fields(request: Request) -> dict[str, str]:
    names = ("q", "thing", "condition", "from", "to", "all")
    return {name: request.query_params.get(name, "")[:200] for name in names}


def _search(request: Request, services: BoardServices, zone: ZoneInfo) -> Search:
    fields, plant = _fields(request), services.plant()
    words = tuple(fields["q"].split())
    if len(words) > 12:
        raise HttpError(400, "Too many words: twelve at most.")
    thing = fields["thing"]
    if thing and plant.thing(thing) is None and thing not in plant.devices:
        raise HttpError(404, "This site has no such asset.")
    if fields["condition"] and fields["condition"] not in CATALOGUE:
        raise HttpError(404, "There is no such condition.")
    before = request.query_params.get("before", "")
    end = int(before) * 1000 + 1 if before.isdecimal() and len(before) < 12 else None
    to = read_day("to", fields["to"], zone, after=True)
    return Search(
        words=tuple(map(_json_escaped, words)),
        condition=fields["condition"], asset=thing, start=read_day("from", fields["from"], zone),
        end=min((e for e in (end, to) if e is not None), default=None),
        alarms_only=not fields["all"], limit=_PAGE + 1,
    )


def _json_escaped(word: str) -> str:
    # The journal's lines are JSON: a character that JSON escapes is searched for in escaped form.
    return word.replace("\\", "\\\\").replace('"', '\\"')


def _things(plant: Plant) -> Sequence[tuple[str, str]]:
    return [(t.id, t.name) for t in plant.things()] + \
        [(d.id, d.name) for d in plant.devices.values()]


def _conditions() -> Sequence[tuple[str, str]]:
    return sorted(((c, known.title) for c, known in CATALOGUE.items()), key=lambda pair: pair[1])


_SPANS = (("1 h", "1 hour"), ("2 h", "2 hours"), ("4 h", "4 hours"), ("8 h", "8 hours"),
          ("24 h", "24 hours"), ("3 d", "3 days"), ("7 d", "7 days"))


def active_window_lines(services: BoardServices) -> Callable[[], list[str]]:
    """Return the function that gives a line for each active window, shown on every page."""
    def lines() -> list[str]:
        return [f"{d.heading} until {d.until}. {d.declared}"
                for d in declaration_views(services.windows(), (), services.plant(),
                                           services.clock.now())]
    return lines


def add_window_page(app: FastAPI, services: BoardServices) -> None:
    """Add ``/windows``."""

    @app.get("/windows", include_in_schema=False)
    async def shown(request: Request) -> HTMLResponse:
        plant = services.plant()
        systems = [*plant.risers, *plant.generators, plant.site.id] if plant.risers else []
        things = [*(t.id for t in plant.things()), *plant.devices]
        return page(
            request, "windows.html", spans=_SPANS,
            windows=declaration_views(services.windows(), (), plant, services.clock.now()),
            planned=declaration_views(services.planned(), (), plant, services.clock.now()),
            labels=WINDOW_DETAILS, chosen=request.query_params.get("asset", ""),
            basis=printed_basis("NFPA 1", plant.site.code),
            systems=[(asset, name_of(plant, asset)) for asset in systems],
            things=[(asset, name_of(plant, asset)) for asset in things],
        )

    for kind in (ActionKind.DECLARE_IMPAIRMENT, ActionKind.BEGIN_VISIT):
        _add_form(app, services, kind)


def _add_form(app: FastAPI, services: BoardServices, kind: ActionKind) -> None:
    """Add the form of an impairment or a visit, in which the asset is one field of several."""
    name = "impairment" if kind is ActionKind.DECLARE_IMPAIRMENT else "visit"

    @app.post(f"/windows/{name}", include_in_schema=False,
              dependencies=[Depends(require(Role.RESPOND))])
    async def declared(request: Request) -> Response:
        sent = await read_form(request)
        fields = dict(sent.fields)
        begins = sent.text("begins")
        if begins:
            zone = ZoneInfo(services.plant().site.timezone)
            try:
                local = datetime.fromisoformat(begins).replace(tzinfo=zone)
            except ValueError:
                raise HttpError(400, "'Begins' is not a time; leave it empty to begin now."
                                ) from None
            fields["from"] = str(local.timestamp())
        return await submitted(
            replace(sent, fields=fields), request, services, sent.text("asset"), kind)
