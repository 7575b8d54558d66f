"""The page behind a link in a message: shows the alarm, acknowledges it, without an account.

Opening the page changes nothing, since mail programs and scanners open links by themselves; only
the button's POST does. A link acknowledges alarms that are raised and unacknowledged; for others
the page shows what happened since. A visitor without a valid link learns nothing of the site.
Guessing is hopeless (a signature of 128 bits) and slowed down all the same; a valid link is never
locked out by the guesses of others.
"""

from __future__ import annotations

import logging
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from collector.clock import RateLimiter
from collector.domain.actions import ActionKind, OperatorAction
from collector.domain.conditions import CAUTIONS
from collector.domain.errors import ActionRefused
from collector.domain.events import AlarmTransition, Transition
from collector.domain.live import AlarmState, LiveAlarm
from collector.domain.messages import BY_LINK, Link, LinkFault, LinkRefused, parts_of
from collector.domain.plant import Plant
from collector.domain.units import MINUTE, SECOND, duration_text
from collector.web.access import check_origin, public
from collector.web.render import static_file, templates
from collector.web.services import BoardServices, LinkServices
from collector.web.views import location_of, moment, title_of


class AttemptRates:
    """Limits each key to ``most`` attempts at once, and to as many in ``window`` ms.

    At most ``kept`` keys are remembered; the least recently used one is dropped first.
    """

    def __init__(self, *, most: int, window: int, kept: int = 1000) -> None:
        self._per_second, self._burst = most * SECOND / window, window - window // most
        self._kept = kept
        self._limiters: OrderedDict[str, RateLimiter] = OrderedDict()

    def _limiter(self, key: str, now: int) -> RateLimiter:
        known = self._limiters.pop(key, None)
        limiter = known or RateLimiter(now - self._burst, burst=self._burst)
        self._limiters[key] = limiter
        while len(self._limiters) > self._kept:
            self._limiters.popitem(last=False)
        return limiter

    def allows(self, key: str, now: int) -> bool:
        """Whether another attempt of ``key`` at ``now`` (ms, monotonic) is within the limit."""
        return self._limiter(key, now).wait(now) <= 0

    def count(self, key: str, now: int) -> None:
        """Count an attempt."""
        self._limiter(key, now).sent(1, now, self._per_second)


FAULTS: Mapping[LinkFault, tuple[int, str, str]] = {
    LinkFault.FORGED: (
        403, "This link is not valid",
        "It was not made by this site, or is incomplete: some mail programs break long links. "
        "Copy the whole link from the message."),
    LinkFault.OTHER_SITE: (
        403, "This link is for another site",
        "Open it at the address given in its message."),
    LinkFault.EXPIRED: (
        410, "This link has expired",
        "Links work for a limited time. Open the board for the active alarms."),
    LinkFault.PERSON_REMOVED: (
        410, "This link is no longer valid",
        "The site does not notify its recipient any more."),
}
"""Status, heading and sentence for each fault; they reveal nothing of the site."""

_TRANSITIONS = {
    Transition.ACKNOWLEDGED: "Acknowledged", Transition.RETURNED: "Returned to normal",
    Transition.SHELVED: "Shelved", Transition.SUPPRESSED: "Suppressed by design",
    Transition.OUT_OF_SERVICE: "Taken out of service",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkEntry:
    """One alarm: title, asset, urgency, start, numbers, causes to check, cautions."""

    occurrence: str
    title: str
    where: str
    urgency: str
    since: str
    facts: str
    checks: tuple[str, ...]
    cautions: tuple[str, ...]
    waiting: bool
    """Whether it is not acknowledged yet."""
    outcome: str
    """Its later transitions in a sentence; empty while it waits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkPage:
    """The whole page; ``button`` is empty when nothing can be acknowledged."""

    heading: str
    sentence: str
    site: str
    person: str
    until: str
    button: str
    entries: tuple[LinkEntry, ...]


def link_page(
    link: Link, *, person: str, plant: Plant, alarms: Sequence[LiveAlarm],
    history: Mapping[str, Sequence[AlarmTransition]], now: int,
) -> LinkPage:
    """Return the page of a link; ``history`` has the events of each occurrence, oldest first."""
    zone = ZoneInfo(plant.site.timezone)
    live = {a.id: a for a in alarms}
    entries = tuple(
        _entry(name, live.get(name), history.get(name, ()), plant, zone, now)
        for name in link.occurrences
    )
    waiting = sum(e.waiting for e in entries)
    heading, sentence = _heading(entries, waiting, history, person)
    button = "" if not waiting else "Acknowledge" if waiting == 1 \
        else f"Acknowledge all {waiting}"
    return LinkPage(
        heading=heading, sentence=sentence, site=plant.site.name, person=person,
        until=moment(link.expires, zone, now), button=button, entries=entries,
    )


def _heading(
    entries: Sequence[LinkEntry], waiting: int, history: Mapping[str, Sequence[AlarmTransition]],
    person: str,
) -> tuple[str, str]:
    if waiting:
        return ("Not acknowledged" if waiting == 1 else f"{waiting} not acknowledged",
                "No one has acknowledged this yet.")
    used = any(e.transition is Transition.ACKNOWLEDGED and e.by == person + BY_LINK
               for events in history.values() for e in events)
    if used:
        return "Acknowledged", ("You acknowledged it with this link. "
                                "Notifications have stopped.")
    known = any(e.title for e in entries)
    if not known:
        return "Alarm no longer known", "Open the board for the active alarms."
    return "Nothing left to acknowledge", ("It was acknowledged by someone else, or has ended. "
                                           "This link has no further use.")


def _entry(
    name: str, alarm: LiveAlarm | None, events: Sequence[AlarmTransition], plant: Plant,
    zone: ZoneInfo, now: int,
) -> LinkEntry:
    raised = next((e for e in events if e.transition is Transition.RAISED), None)
    source = alarm or raised
    waiting = alarm is not None and alarm.state is AlarmState.UNACKNOWLEDGED
    if source is None:
        return LinkEntry(occurrence=name, title="", where="", urgency="", since="", facts="",
                         checks=(), cautions=(), waiting=False, outcome="")
    # The text of a shelved alarm is about the shelving; the raised event has the alarm's own.
    parts = parts_of((source if waiting or raised is None else raised).text)
    title, where = title_of(source.condition), location_of(plant, source.asset)
    lasting = f", for {duration_text(now - source.since)}" if waiting else ""
    return LinkEntry(
        occurrence=name, title=title, where=where,
        urgency=f"{source.priority.value.capitalize()} {source.signal.value}",
        since=f"{moment(source.since, zone, now)}{lasting}",
        facts=parts.facts.removeprefix(f"{title}: {where}.").strip(),
        checks=parts.checks, cautions=tuple(c for c in parts.cautions if c not in _IN_FOOTER),
        waiting=waiting, outcome="" if waiting else _outcome(events, zone, now),
    )


_IN_FOOTER = frozenset({CAUTIONS["not-a-fire-alarm"]})
"""Cautions that every page has in its footer."""


def _outcome(events: Sequence[AlarmTransition], zone: ZoneInfo, now: int) -> str:
    parts = []
    for event in events:
        if event.transition not in _TRANSITIONS:
            continue
        by = f" by {event.by}" if event.by else ""
        why = f" ({event.why})" if event.why else ""
        at = moment(event.time, zone, now)
        parts.append(f"{_TRANSITIONS[event.transition]}{by} at {at}{why}.")
    return " ".join(parts) or "It is no longer active."


_log = logging.getLogger(__name__)

_TOO_MANY = ("Too many tries",
             "Wait a few minutes, then open the link from the message again.")


def _page(status: int, heading: str, sentence: str, page: object = None) -> HTMLResponse:
    text = templates().get_template("link.html").render(
        heading=heading, sentence=sentence, page=page, cautions=CAUTIONS,
    )
    return HTMLResponse(text, status_code=status, headers={"x-robots-tag": "noindex"})


class _LinkReader:
    """Reads tokens and limits the rate of attempts."""

    def __init__(self, services: BoardServices, links: LinkServices) -> None:
        self._services, self._links = services, links
        self._wrong = AttemptRates(most=20, window=5 * MINUTE)
        self._uses = AttemptRates(most=30, window=MINUTE)

    def open(self, token: str, client: str) -> Link | HTMLResponse:
        now = self._services.clock.monotonic()
        try:
            link = self._links.read(token, self._services.clock.now())
        except LinkRefused as refused:
            if not self._wrong.allows(client, now):
                return _page(429, *_TOO_MANY)
            self._wrong.count(client, now)
            _log.warning("a link was refused", extra={"fault": refused.fault, "client": client})
            return _page(*FAULTS[refused.fault])
        if not self._uses.allows(token, now):
            return _page(429, *_TOO_MANY)
        self._uses.count(token, now)
        return link


def add_message_link_page(app: FastAPI, services: BoardServices) -> None:
    """Add the page, its form, its style sheet and icon; nothing without link services."""
    links = services.links
    if links is None:
        return
    reader = _LinkReader(services, links)

    @app.get("/a/link.css", include_in_schema=False)
    @public
    async def style_sheet() -> Response:
        return _file("link.css", "text/css; charset=utf-8")

    # Under /a/ as well: a proxy may let nothing else of the board out to the world.
    @app.get("/a/mark.svg", include_in_schema=False)
    @public
    async def icon() -> Response:
        return _file("mark.svg", "image/svg+xml")

    @app.get("/a/{token}", include_in_schema=False)
    @public
    async def look(request: Request, token: str) -> Response:
        link = reader.open(token, _client(request))
        return link if isinstance(link, Response) else await _shown(services, links, link)

    @app.post("/a/{token}", include_in_schema=False)
    @public
    async def answer(request: Request, token: str) -> Response:
        check_origin(request)
        link = reader.open(token, _client(request))
        if isinstance(link, Response):
            return link
        if not await _acknowledge(services, links, link):
            return await _shown(services, links, link, status=409)
        return RedirectResponse(f"/a/{token}", status_code=303)


def _file(name: str, kind: str) -> Response:
    return Response(static_file(name)[0], headers={
        "content-type": kind, "cache-control": "public, max-age=3600"})


def _client(request: Request) -> str:
    return request.client.host if request.client is not None else ""


async def _acknowledge(services: BoardServices, links: LinkServices, link: Link) -> int:
    """Acknowledge the unacknowledged alarms; return their number."""
    by, done = links.name(link.person) + BY_LINK, 0
    for occurrence in link.occurrences:
        action = OperatorAction(kind=ActionKind.ACKNOWLEDGE, alarm=occurrence, by=by,
                        time=services.clock.now())
        if not _waits(services, occurrence):
            continue
        try:
            await services.act(action)
        except ActionRefused:
            continue  # another person acknowledged it in the meantime
        done += 1
    return done


def _waits(services: BoardServices, occurrence: str) -> bool:
    return any(a.id == occurrence and a.present and a.state is AlarmState.UNACKNOWLEDGED
               for a in services.alarms())


async def _shown(
    services: BoardServices, links: LinkServices, link: Link, *, status: int = 200,
) -> HTMLResponse:
    history = {name: await links.history(name) for name in link.occurrences}
    page = link_page(
        link, person=links.name(link.person), plant=services.plant(), alarms=services.alarms(),
        history=history, now=services.clock.now(),
    )
    return _page(status, page.heading, page.sentence, page)
