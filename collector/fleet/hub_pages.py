"""The hub's pages: the fleet with its five queries, and one page for each site."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import HTMLResponse

from collector.domain.conditions import CATALOGUE
from collector.domain.events import AlarmTransition, EstimateMade, Event
from collector.domain.formatting import duration_text
from collector.domain.readings import Quantity
from collector.fleet.hub_queries import QUESTIONS, Answer, answers_to, connection_state
from collector.fleet.hub_reader import FleetView
from collector.fleet.hub_state import MetricState, SiteState
from collector.fleet.hub_trends import EstimateDay
from collector.web.render import page
from collector.web.views.labels import moment, shown_value

__all__ = ["SiteFacts", "fleet_page", "site_page"]

_SHOWN = 100
"""Sites listed on one page; the search finds the others."""
_UTC = ZoneInfo("UTC")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    address: str
    name: str
    where: str
    words: str
    detail: str = ""
    tone: str = "normal"


def fleet_page(
    request: Request, view: FleetView, now: int, newest: str | None, search: str,
) -> HTMLResponse:
    """Return the page of all sites that a person may see."""
    questions = [
        {"id": name, "words": words, "rows": [_row_of(f) for f in found[:_SHOWN]],
         "more": max(len(found) - _SHOWN, 0)}
        for name, words in QUESTIONS.items()
        for found in [answers_to(name, view, now, newest)]
    ]
    trouble = len({(r.address) for r in questions[0]["rows"]})  # type: ignore[attr-defined]
    silent = sum(s.silent is not None for s in view.sites())
    listed = view.search(search) if search.strip() else view.sites()
    return page(
        request, "hub.html", title=view.title, total=len(view), trouble=trouble, silent=silent,
        questions=questions, search=search, time=moment(now, _UTC, now),
        sites=[_site_row(s, view, now) for s in listed[:_SHOWN]],
        listed=len(listed), shown=min(len(listed), _SHOWN),
    )


def _address(state: SiteState) -> str:
    return f"/sites/{quote(state.group, safe='')}/{quote(state.site, safe='')}"


def _row_of(found: Answer) -> _Row:
    words = "; ".join(_title(a.condition) for a in found.alarms) or found.sentence
    return _Row(address=_address(found.state), name=found.state.name or found.state.site,
                where=found.asset if found.asset != found.state.site else "", words=words,
                detail=found.sentence if found.alarms and found.numbers.get("percent") else "",
                tone="not-normal" if found.alarms else "unsure")


def _title(condition: str) -> str:
    known = CATALOGUE.get(condition)
    return known.title if known is not None else condition


def _site_row(state: SiteState, view: FleetView, now: int) -> _Row:
    alarms = sum(a.is_active for a in view.alarms(state))
    word = connection_state(state)
    heard = f"{state.key}, "
    heard += f"heard {duration_text(now - state.heard)} ago" if state.heard else "never heard"
    if state.behind:
        heard += f", {state.behind} commits behind"
    words = word if not alarms else f"{word}, {alarms} alarm{'s' if alarms > 1 else ''}"
    return _Row(address=_address(state), name=state.name or state.site, where="",
                words=words, detail=heard,
                tone="unsure" if word != "online" else "not-normal" if alarms else "normal")


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteFacts:
    """The data of one site's page."""

    state: SiteState
    events: Sequence[Event]
    """Newest first."""
    estimates: Sequence[EstimateDay]


def site_page(request: Request, view: FleetView, facts: SiteFacts, now: int) -> HTMLResponse:
    """Return the page of one site."""
    state = facts.state
    try:
        zone = ZoneInfo(state.timezone)
    except (KeyError, ValueError, OSError):  # what a site says of itself is not to be trusted
        zone = _UTC
    alarms = [
        {"title": _title(a.condition), "asset": a.asset, "priority": a.priority,
         "signal": a.signal, "since": moment(a.since, zone, now), "text": a.text,
         "state": "stands" if a.is_active else "put aside",
         "acknowledged": a.has("acknowledged")}
        for a in view.alarms(state)
    ]
    return page(
        request, "hub_site.html", state=state, word=connection_state(state), alarms=alarms,
        heard=duration_text(max(now - state.heard, 0)) if state.heard else "", zone=str(zone),
        time=moment(now, zone, now), title=state.name or state.site,
        things=[_thing(state, thing, now) for thing in sorted(state.things)],
        estimates=[e for e in facts.estimates if e.value is not None],
        events=[(moment(e.time, zone, now), _event_text(e)) for e in facts.events],
    )


def _thing(state: SiteState, thing: str, now: int) -> dict[str, object]:
    return {
        "id": thing, "kind": state.kinds.get(thing, ""), "answers": thing not in state.dead,
        "readings": [_reading(state, name, metric, now)
                     for name, metric in state.things[thing].items()],
    }


def _reading(state: SiteState, name: str, metric: MetricState, now: int) -> dict[str, object]:
    value, unit = str(metric.value) if metric.value is not None else "–", metric.unit
    if isinstance(metric.value, bool):
        value, unit = ("yes" if metric.value else "no"), ""
    elif isinstance(metric.value, float) and unit:
        shown = shown_value(metric.value, name, Quantity(unit=unit, label=metric.label),
                            state.units)
        value, unit = shown.text, shown.unit
    elif unit in ("mode", "contact"):
        unit = ""
    return {"label": metric.label or name, "value": value, "unit": unit,
            "age": duration_text(max(now - metric.time, 0)) if metric.time else "never",
            "good": metric.quality == 192 and state.online}


def _event_text(event: Event) -> str:
    if isinstance(event, AlarmTransition):
        return f"{_title(event.condition)} at {event.asset}: {event.transition.value}"
    if isinstance(event, EstimateMade):
        value = "none" if event.value is None else f"{event.value:.3g} {event.unit}"
        return f"{event.quantity} of {event.asset}: {value}"
    return event.text
