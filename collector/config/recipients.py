"""Recipients with their routes, persons, rotas and escalations of a site file, checked."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

from collector.config.diagnostics import Diagnostics, Key, Source, nearest
from collector.config.field_types import holds_password, is_reference, read_secret
from collector.config.tables import (
    OverrideTable,
    RecipientTable,
    RotaTable,
    RouteTable,
    SiteFile,
    StepTable,
)
from collector.config.units import QuantityError
from collector.domain.conditions import CATALOGUE
from collector.domain.events import Priority, Signal
from collector.notify.recipients import (
    DEFAULT_SIGNALS,
    Hours,
    Override,
    Recipient,
    Rota,
    Route,
    Step,
    parse_days,
    parse_hours,
)

_REPEATS = 3
"""Number of repeated calls after an escalation, unless the site file states one."""


def _is_brief(form: str | None) -> bool | None:
    return None if form is None else form == "short"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecipientTables:
    """Reads the tables of recipients and people, and collects their mistakes.

    Without ``secrets`` none is resolved.
    """

    file: SiteFile
    source: Source
    mistakes: Diagnostics
    folder: Path
    assets: Iterable[str]
    """Ids of assets and devices that a route may name."""
    secrets: bool = True

    def persons(self) -> tuple[Recipient, ...]:
        """Return the people that rotas and escalations may call."""
        self._one_of_each()
        return tuple(
            Recipient(id=t.id, name=t.name or "", to=self._address(t.to, ("people", n)), routes=(),
                      brief=_is_brief(t.form))
            for n, t in enumerate(self.file.people)
        )

    def _one_of_each(self) -> None:
        seen: set[str] = set()
        for group in ("people", "rotas", "recipients"):
            for index, table in enumerate(getattr(self.file, group)):
                if table.id and table.id in seen:
                    self.mistakes.add(self.source, (group, index, "id"),
                                      f'"{table.id}" is there already',
                                      "an id of its own among people, rotas and recipients")
                seen.add(table.id)

    def _add(self, key: Key, problem: str, expected: str) -> None:
        self.mistakes.add(self.source, key, problem, expected)

    # -- rotas -----------------------------------------------------------------------------------

    def rotas(self) -> dict[str, Rota]:
        """Return the rotas by id."""
        found = [self._rota(table, ("rotas", n)) for n, table in enumerate(self.file.rotas)]
        return {rota.id: rota for rota in found if rota is not None}

    def _rota(self, table: RotaTable, key: Key) -> Rota | None:
        people = [p.id for p in self.file.people]
        self._known((*key, "people"), table.people, people, "person")
        if not table.people and "people" in table.model_fields_set:
            self._add((*key, "people"), "this rota has no one on it", "ids of people, in turn")
        overrides = [self._override(o, (*key, "overrides", n), people)
                     for n, o in enumerate(table.overrides)]
        zone = self._zone(table, key)
        if table.begins is None or not table.people or zone is None:
            return None
        return Rota(
            id=table.id, zone=zone, people=tuple(table.people), begins=table.begins,
            hand_over=time.fromisoformat(table.hand_over), weeks=table.weeks,
            overrides=tuple(o for o in overrides if o is not None),
            holidays=frozenset(table.holidays),
        )

    def _zone(self, table: RotaTable, key: Key) -> ZoneInfo | None:
        name = table.timezone or self.file.site.timezone
        try:
            return ZoneInfo(name)
        except (ValueError, OSError, LookupError):
            # The site's own is checked, and reported, with the site.
            if table.timezone is not None:
                self._add((*key, "timezone"), f'no time zone is called "{name}"',
                          "an IANA name such as Europe/London")
            return None

    def _override(self, table: OverrideTable, key: Key, people: list[str]) -> Override | None:
        start, end = table.starts, table.ends
        self._known((*key, "person"), [table.person] if table.person else (), people, "person")
        if not isinstance(start, datetime) or not isinstance(end, datetime):
            return None
        if end <= start:
            self._add((*key, "ends"), "it ends before it starts", "a later time than starts")
        return Override(start=start, end=end, person=table.person)

    # -- recipients ------------------------------------------------------------------------------

    def recipients(self) -> tuple[Recipient, ...]:
        return tuple(self._recipient(table, ("recipients", index))
                     for index, table in enumerate(self.file.recipients))

    def _recipient(self, table: RecipientTable, key: Key) -> Recipient:
        if table.rota is not None:
            self._known((*key, "rota"), [table.rota], [r.id for r in self.file.rotas], "rota")
        given = [n for n in ("to", "rota") if n in table.model_fields_set]
        if not given and not self.mistakes.has_mistake(self.source, (*key, "to")):
            self._add(key, '"to" is missing', "to = …, or rota = … in its place")
        if len(given) > 1:
            self._add((*key, "rota"), '"rota" stands beside to', "one or the other")
        repeats = table.repeats
        return Recipient(
            id=table.id, name=table.name or "", rota=table.rota or "",
            to=self._address(table.to, key) if table.to is not None else "",
            routes=self._routes(table, key), returned=table.returned, facts=table.facts,
            escalate=tuple(self._step(s, (*key, "escalate", n))
                           for n, s in enumerate(table.escalate)),
            repeat=table.repeat, quiet=self._hours(table.quiet, (*key, "quiet")),
            repeats=repeats if repeats is not None else _REPEATS if table.escalate else 0,
            brief=_is_brief(table.form),
        )

    def _address(self, to: str, key: Key) -> str:
        given = to
        if is_reference(to):
            to = self._secret(to, (*key, "to"))
        elif holds_password(to):
            self._add((*key, "to"), "the address holds a password",
                      "env:NAME or file:PATH in its place")
        if to and given and "://" not in to:
            self._add((*key, "to"), "not an address that can be delivered to",
                      "SCHEME://…, such as mailto://mail.example?to=on-call@works.example")
        return to

    def _secret(self, text: str, key: Key) -> str:
        if not self.secrets:
            return ""
        try:
            return read_secret(text, self.folder)
        except QuantityError as exc:
            self._add(key, exc.problem, exc.expected)
            return ""

    def _step(self, table: StepTable, key: Key) -> Step:
        known = [*(p.id for p in self.file.people), *(r.id for r in self.file.rotas),
                 *(r.id for r in self.file.recipients)]
        self._known((*key, "call"), [table.call] if table.call else (), known,
                    "person, rota or recipient")
        return Step(after=table.after, call=table.call, turn=table.turn)

    def _routes(self, table: RecipientTable, key: Key) -> tuple[Route, ...]:
        if table.routes is None:
            return (self._route(table, key),)
        own = [n for n in RouteTable.model_fields if n in table.model_fields_set]
        if own:
            self.mistakes.add(self.source, (*key, own[0]),
                              f'"{own[0]}" stands beside routes', "one or the other")
        return tuple(self._route(r, (*key, "routes", n)) for n, r in enumerate(table.routes))

    def _route(self, table: RouteTable, key: Key) -> Route:
        self._known((*key, "things"), table.things, list(self.assets), "thing or device")
        self._known((*key, "conditions"), table.conditions, list(CATALOGUE), "condition")
        signals = DEFAULT_SIGNALS if table.signals is None \
            else frozenset(Signal(s) for s in table.signals)
        route = Route(
            signals=signals, priorities=frozenset(Priority(p) for p in table.priorities or ()),
            things=frozenset(table.things or ()), conditions=frozenset(table.conditions or ()),
            days=self._days(table, key),
        )
        hours = self._hours(table.hours, (*key, "hours"))
        return route if not hours else Route(
            signals=route.signals, priorities=route.priorities, things=route.things,
            conditions=route.conditions, days=route.days, hours=hours,
        )

    def _known(self, key: Key, names: Iterable[str] | None, known: list[str], what: str) -> None:
        for name in names or ():
            if name not in known:
                self.mistakes.add(self.source, key,
                                  f'there is no {what} "{name}"{nearest(name, known)}',
                                  f"ids of a {what}")

    def _hours(self, given: str | list[str] | None, key: Key) -> tuple[Hours, ...]:
        found = []
        for text in [given] if isinstance(given, str) else given or ():
            try:
                found.append(parse_hours(text))
            except ValueError as exc:
                self._said(key, exc)
        return tuple(found)

    def _days(self, table: RouteTable, key: Key) -> frozenset[int]:
        words = table.days.replace(",", " ").split() if isinstance(table.days, str) \
            else table.days or ()
        try:
            return parse_days(words)
        except ValueError as exc:
            self._said((*key, "days"), exc)
            return frozenset()

    def _said(self, key: Key, error: ValueError) -> None:
        problem, _, expected = str(error).partition("; expected ")
        self.mistakes.add(self.source, key, problem, expected)
