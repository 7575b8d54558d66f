"""What the hub knows of one site, from its births, data and deaths. No I/O.

The rules are those of Sparkplug for a host application: births say what the numbers mean, a gap in
``seq`` or an alias never heard of asks for new births, a death counts only for the session whose
``bdSeq`` it carries.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from collector.fleet.hub_messages import Mark
from collector.forward.sparkplug.payload import Metric, Payload, Value

__all__ = ["EventNumbers", "MetricState", "SiteState", "Told"]

_PATIENCE = 10_000
"""ms that an event may come after the mark which says that it was told."""
_LOST = 60_000
"""ms after which what was asked for once more is called lost."""


@dataclass(slots=True, kw_only=True)
class EventNumbers:
    """The numbers that came from one journal, as ``spans`` ``[first, last]``, rising and apart."""

    journal: str = ""
    spans: list[list[int]] = field(default_factory=list)
    owed_upto: int = 0
    """What a mark has said was told, while something of it has not come; else 0."""
    owed_since: int = 0
    """When that was first said, or asked for; ms."""
    asked: bool = False
    """Whether the session was returned to for that."""

    @classmethod
    def load(cls, raw: Mapping[str, Any]) -> EventNumbers:
        """Read what ``dataclasses.asdict`` gave."""
        return cls(**{**raw, "spans": [list(span) for span in raw["spans"]]})

    def came(self, journal: str, number: int) -> None:
        """Take in the number of an event. Another journal begins anew."""
        if journal != self.journal:
            self.journal, self.spans = journal, []
            self._settled()
        place = len(self.spans)
        while place and self.spans[place - 1][0] > number:
            place -= 1
        if place and number <= self.spans[place - 1][1]:
            return
        self.spans.insert(place, [number, number])
        for after in (place + 1, place):
            if 0 < after < len(self.spans) and self.spans[after - 1][1] + 1 == self.spans[after][0]:
                self.spans[after - 1][1] = self.spans.pop(after)[1]
        if self.spans[0][1] >= self.owed_upto:
            self._settled()

    def told(self, journal: str, upto: int, now: int) -> None:
        """Take in that the broker has taken everything up to a number, as a mark says at ``now``.

        What was told before the first number that ever came here is nobody's debt.
        """
        if journal != self.journal or not self.spans or self.spans[0][1] >= upto:
            self._settled()
            return
        if not self.owed_upto or now < self.owed_since:
            self.owed_since = now
        self.owed_upto = upto

    def owes(self, now: int) -> bool:
        """Whether to return to the session for what is owed. It says so once."""
        if not self.owed_upto or self.asked or now - self.owed_since < _PATIENCE:
            return False
        self.asked, self.owed_since = True, now
        return True

    def given_up(self, now: int) -> int:
        """Return how many events are lost: still owed long after they were asked for."""
        if not self.asked or now - self.owed_since < _LOST:
            return 0
        first, last = self.spans[0][0], max(self.spans[-1][1], self.owed_upto)
        missing = last - first + 1 - sum(b - a + 1 for a, b in self.spans)
        self.spans = [[first, last]]
        self._settled()
        return missing

    def _settled(self) -> None:
        self.owed_upto, self.owed_since, self.asked = 0, 0, False


_ABOUT = {"Properties/version": "version", "Properties/name": "name",
          "Properties/timezone": "timezone", "Properties/units": "units"}
_STALE = 500
_GOOD = 192


@dataclass(slots=True, kw_only=True)
class MetricState:
    """The last word of one metric. ``quality`` is Sparkplug's code: 192 good, 0 bad, 500 stale."""

    value: Value
    time: int
    quality: int
    unit: str = ""
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One value that came, for the history."""

    thing: str
    metric: str
    unit: str
    time: int
    value: bool | int | float | str


@dataclass(slots=True, kw_only=True)
class SiteState:
    """See the module. Instants are ms since 1970 UTC."""

    group: str
    site: str
    name: str = ""
    timezone: str = "UTC"
    units: str = "us"
    version: str = ""
    online: bool = False
    since: int = 0
    """When it came online or went offline."""
    heard: int = 0
    """When anything last came from it."""
    bd_seq: int | None = None
    seq: int | None = None
    commit: int = 0
    behind: int = 0
    """How many commits of its journal it has still to tell."""
    silent: int | None = None
    """Since when it is silent."""
    rebirth_asked: int = 0
    things: dict[str, dict[str, MetricState]] = field(default_factory=dict)
    dead: list[str] = field(default_factory=list)
    """Things that have died and not been born again."""
    kinds: dict[str, str] = field(default_factory=dict)
    """Which kind of thing each is."""
    numbers: EventNumbers = field(default_factory=EventNumbers)
    """Which of its events have come."""
    aliases: dict[int, tuple[str, str]] = field(default_factory=dict)

    @property
    def key(self) -> str:
        """How the site is named among all."""
        return f"{self.group}/{self.site}"

    def dump(self) -> dict[str, Any]:
        """Return it as JSON can hold it."""
        return asdict(self)

    @classmethod
    def load(cls, raw: Mapping[str, Any]) -> SiteState:
        """Read what :meth:`dump` gave."""
        return cls(**{
            **raw,
            "things": {t: {m: MetricState(**state) for m, state in metrics.items()}
                       for t, metrics in raw["things"].items()},
            "aliases": {int(a): (where[0], where[1]) for a, where in raw["aliases"].items()},
            "numbers": EventNumbers.load(raw.get("numbers") or asdict(EventNumbers())),
        })

    # -- what comes ------------------------------------------------------------------------------

    def hear(self, verb: str, thing: str, payload: Payload, now: int) -> tuple[list[Told], bool]:
        """Take in one message; return what it told, and whether to ask for new births."""
        if verb == "NDEATH":
            self._die(payload, now)
            return [], False
        self.heard = now
        if verb == "NBIRTH":
            return self._be_born(payload, now), False
        if not self.online:
            # Data of a session whose birth we missed: nothing in it can be read.
            return [], True
        wrong = payload.seq != self.seq
        self.seq = None if payload.seq is None else (payload.seq + 1) % 256
        if verb == "DBIRTH":
            self.things.setdefault(thing, {})
            self.dead = [t for t in self.dead if t != thing]
            return self._births(thing, payload), wrong
        if verb == "DDEATH":
            self._thing_dies(thing)
            return [], wrong
        told, unknown = self._data(payload)
        return told, wrong or unknown

    def _be_born(self, payload: Payload, now: int) -> list[Told]:
        self.online, self.since = True, now
        self.seq = ((payload.seq or 0) + 1) % 256
        self.aliases.clear()
        self.dead.clear()
        for metric in payload.metrics:
            if metric.name == "bdSeq" and isinstance(metric.value, int):
                self.bd_seq = metric.value
            elif metric.name in _ABOUT and isinstance(metric.value, str):
                setattr(self, _ABOUT[metric.name], metric.value)
            elif metric.alias is not None:
                self.aliases[metric.alias] = ("", metric.name)
        # A thing that is not born with the node this time is dead until it is.
        self.dead = list(self.things)
        return []

    def _die(self, payload: Payload, now: int) -> None:
        number = next((m.value for m in payload.metrics if m.name == "bdSeq"), None)
        if not self.online or (self.bd_seq is not None and number != self.bd_seq):
            return  # the will of an older session, late
        self.online, self.since = False, now
        for thing in self.things:
            self._thing_dies(thing)

    def _thing_dies(self, thing: str) -> None:
        if thing not in self.dead:
            self.dead.append(thing)
        for state in self.things.get(thing, {}).values():
            state.quality = _STALE

    def _births(self, thing: str, payload: Payload) -> list[Told]:
        told: list[Told] = []
        for metric in payload.metrics:
            if metric.alias is not None:
                self.aliases[metric.alias] = (thing, metric.name)
            known = self.things[thing].setdefault(
                metric.name, MetricState(value=None, time=0, quality=_STALE))
            known.unit = str(metric.properties.get("unit", known.unit))
            known.label = str(metric.properties.get("label", known.label))
            self.kinds[thing] = str(metric.properties.get("kind", self.kinds.get(thing, "")))
            self._take(thing, metric.name, known, metric, told)
        return told

    def _data(self, payload: Payload) -> tuple[list[Told], bool]:
        told: list[Told] = []
        unknown = False
        for metric in payload.metrics:
            thing, name = self.aliases.get(-1 if metric.alias is None else metric.alias, ("", ""))
            known = self.things.get(thing, {}).get(name)
            if known is not None:
                self._take(thing, name, known, metric, told)
            elif not name:
                unknown = True
        return told, unknown

    def _take(
        self, thing: str, name: str, known: MetricState, metric: Metric, told: list[Told],
    ) -> None:
        time = metric.time or 0
        quality = metric.properties.get("Quality", _GOOD)
        quality = quality if isinstance(quality, int) else _GOOD
        if metric.value is not None and quality == _GOOD:
            told.append(Told(thing=thing, metric=name, unit=known.unit, time=time,
                             value=metric.value))
        if time < known.time or metric.historical:
            return
        known.quality = quality
        if metric.value is not None:
            known.value, known.time = metric.value, time

    def mark(self, said: Mark, now: int) -> None:
        """Take in a sign of life that says how far its journal is published."""
        self.heard = now
        self.commit = self.commit if said.commit is None else said.commit
        self.behind = self.behind if said.behind is None else said.behind
        # While it is behind, what is live goes first and leaves holes that are filled later.
        if said.journal is not None and said.events is not None and self.behind == 0:
            self.numbers.told(said.journal, said.events, now)

    # -- silence ---------------------------------------------------------------------------------

    def is_silent(self, now: int, listening_since: int, patience: int, grace: int) -> bool:
        """Whether nothing came for ``patience`` ms, or it died ``grace`` ms ago and stays away.

        Time in which the hub itself did not listen is nobody's silence.
        """
        if not self.online:
            return now - max(self.since, listening_since) >= grace
        return now - max(self.heard, listening_since) >= patience
