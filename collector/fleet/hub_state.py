"""The state of one site at the hub, from its births, data, deaths and marks. No I/O.

The rules are those of Sparkplug for a host application: births say what the alias numbers mean, a
gap in ``seq`` or an unknown alias asks for new births, a death counts only for the session whose
``bdSeq`` it carries.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from collector.domain.events import AlarmTransition, Transition
from collector.domain.units import MINUTE
from collector.fleet.hub_messages import Mark
from collector.forward.sparkplug import Metric, Payload, Value

_LATEST = 10_000
"""ms by which an event may arrive after the mark that announced it."""
_LOST = MINUTE
"""ms after resuming the session after which a missing event counts as lost."""


@dataclass(slots=True, kw_only=True)
class SequenceGaps:
    """The event numbers received from one journal, as ``spans`` ``[first, last]``, and the gaps.

    A broker that has accepted an event must deliver it. Some hold one back: mosquitto 2.0.11 gives
    a session that resumes on a long queue the first messages of it, then skips as many as were of
    QoS 0 among those, and sends the skipped ones only when the session resumes once more. A gap in
    the numbers shows it, and resuming the session is what a client can do (MQTT 5, section 4.4:
    what is not acknowledged is sent again then).
    """

    journal: str = ""
    spans: list[list[int]] = field(default_factory=list)
    owed_upto: int = 0
    """Number up to which a mark announced events, while one of them is missing; else 0."""
    owed_since: int = 0
    """Time (ms) at which that was first announced, or the session resumed for it."""
    asked: bool = False
    """Whether the session was resumed for it."""

    @classmethod
    def load(cls, raw: Mapping[str, Any]) -> SequenceGaps:
        """Restore what ``dataclasses.asdict`` returned."""
        return cls(**{**raw, "spans": [list(span) for span in raw["spans"]]})

    def received(self, journal: str, number: int) -> None:
        """Record the number of an event. Another journal starts again."""
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

    def announced(self, journal: str, upto: int, now: int) -> None:
        """Record a mark of ``now``: the broker has accepted all events up to ``upto``.

        Events before the first one received here are not missing.
        """
        if journal != self.journal or not self.spans or self.spans[0][1] >= upto:
            self._settled()
            return
        if not self.owed_upto or now < self.owed_since:
            self.owed_since = now
        self.owed_upto = upto

    def resume_due(self, now: int) -> bool:
        """Whether to resume the session for missing events. True once."""
        if not self.owed_upto or self.asked or now - self.owed_since < _LATEST:
            return False
        self.asked, self.owed_since = True, now
        return True

    def given_up(self, now: int) -> int:
        """Return the number of lost events: still missing long after the session was resumed."""
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
    """The last value of one metric. ``quality`` is Sparkplug's code: 192 good, 0 bad, 500 stale."""

    value: Value
    time: int
    quality: int
    unit: str = ""
    label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceivedValue:
    """One received value, for the history."""

    thing: str
    metric: str
    unit: str
    time: int
    value: bool | int | float | str


@dataclass(slots=True, kw_only=True)
class SiteState:
    """The state of one site. Instants are ms since 1970 UTC."""

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
    """Time of the last message from it."""
    bd_seq: int | None = None
    seq: int | None = None
    commit: int = 0
    behind: int = 0
    """Commits of its journal that it has still to publish."""
    silent: int | None = None
    """Instant since which it is silent."""
    rebirth_asked: int = 0
    things: dict[str, dict[str, MetricState]] = field(default_factory=dict)
    dead: list[str] = field(default_factory=list)
    """Assets that have died and not been born again."""
    kinds: dict[str, str] = field(default_factory=dict)
    """Kind of each asset."""
    numbers: SequenceGaps = field(default_factory=SequenceGaps)
    """Numbers of its events received so far."""
    aliases: dict[int, tuple[str, str]] = field(default_factory=dict)

    @property
    def key(self) -> str:
        """Key of the site among all: ``group/site``."""
        return f"{self.group}/{self.site}"

    def dump(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def load(cls, raw: Mapping[str, Any]) -> SiteState:
        return cls(**{
            **raw,
            "things": {t: {m: MetricState(**state) for m, state in metrics.items()}
                       for t, metrics in raw["things"].items()},
            "aliases": {int(a): (where[0], where[1]) for a, where in raw["aliases"].items()},
            "numbers": SequenceGaps.load(raw.get("numbers") or asdict(SequenceGaps())),
        })

    # -- what comes ------------------------------------------------------------------------------

    def apply(
        self, verb: str, thing: str, payload: Payload, now: int,
    ) -> tuple[list[ReceivedValue], bool]:
        """Apply one message; return its values, and whether to ask for new births."""
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
        received, unknown = self._data(payload)
        return received, wrong or unknown

    def _be_born(self, payload: Payload, now: int) -> list[ReceivedValue]:
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
        # A device that is not born with the node this time is dead until it is.
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

    def _births(self, thing: str, payload: Payload) -> list[ReceivedValue]:
        received: list[ReceivedValue] = []
        for metric in payload.metrics:
            if metric.alias is not None:
                self.aliases[metric.alias] = (thing, metric.name)
            known = self.things[thing].setdefault(
                metric.name, MetricState(value=None, time=0, quality=_STALE))
            known.unit = str(metric.properties.get("unit", known.unit))
            known.label = str(metric.properties.get("label", known.label))
            self.kinds[thing] = str(metric.properties.get("kind", self.kinds.get(thing, "")))
            self._apply(thing, metric.name, known, metric, received)
        return received

    def _data(self, payload: Payload) -> tuple[list[ReceivedValue], bool]:
        received: list[ReceivedValue] = []
        unknown = False
        for metric in payload.metrics:
            thing, name = self.aliases.get(-1 if metric.alias is None else metric.alias, ("", ""))
            known = self.things.get(thing, {}).get(name)
            if known is not None:
                self._apply(thing, name, known, metric, received)
            elif not name:
                unknown = True
        return received, unknown

    def _apply(
        self, thing: str, name: str, known: MetricState, metric: Metric,
        received: list[ReceivedValue],
    ) -> None:
        time = metric.time or 0
        quality = metric.properties.get("Quality", _GOOD)
        quality = quality if isinstance(quality, int) else _GOOD
        if metric.value is not None and quality == _GOOD:
            received.append(ReceivedValue(thing=thing, metric=name, unit=known.unit, time=time,
                             value=metric.value))
        if time < known.time or metric.historical:
            return
        known.quality = quality
        if metric.value is not None:
            known.value, known.time = metric.value, time

    def mark(self, mark: Mark, now: int) -> None:
        """Apply a mark, which says how far the site's journal is published."""
        self.heard = now
        self.commit = self.commit if mark.commit is None else mark.commit
        self.behind = self.behind if mark.behind is None else mark.behind
        # While it is behind, live data go first and leave gaps that are filled later.
        if mark.journal is not None and mark.events is not None and self.behind == 0:
            self.numbers.announced(mark.journal, mark.events, now)

    # -- silence ---------------------------------------------------------------------------------

    def is_silent(self, now: int, listening_since: int, longest: int, grace: int) -> bool:
        """Whether no message came for ``longest`` ms, or the site died ``grace`` ms ago.

        Time in which the hub itself did not listen does not count.
        """
        if not self.online:
            return now - max(self.since, listening_since) >= grace
        return now - max(self.heard, listening_since) >= longest


_SIDES: dict[Transition, tuple[tuple[str, bool], ...]] = {
    Transition.RAISED: (("present", True),),
    Transition.RETURNED: (("present", False),),
    Transition.ACKNOWLEDGED: (("acknowledged", True),),
    Transition.SHELVED: (("shelved", True),),
    Transition.UNSHELVED: (("shelved", False),),
    Transition.SUPPRESSED: (("suppressed", True),),
    Transition.UNSUPPRESSED: (("suppressed", False),),
    Transition.OUT_OF_SERVICE: (("out_of_service", True),),
    Transition.IN_SERVICE: (("out_of_service", False),),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class FleetAlarm:
    """One occurrence of an alarm at one site. ``sides`` maps a flag to ``(order, value)``."""

    id: str
    condition: str
    asset: str
    priority: str
    signal: str
    since: int
    text: str
    text_order: int
    """The order of the event that the text is from."""
    sides: dict[str, tuple[int, bool]] = field(default_factory=dict)

    def has(self, side: str) -> bool:
        """Whether a flag (``present``, ``acknowledged``, ``shelved`` …) is set."""
        return self.sides.get(side, (0, False))[1]

    @property
    def is_active(self) -> bool:
        """Whether the alarm is present and not inhibited."""
        return self.has("present") and not any(
            self.has(s) for s in ("shelved", "suppressed", "out_of_service"))

    def dump(self) -> dict[str, Any]:
        raw = asdict(self)
        raw["told"] = raw.pop("text_order")
        return raw

    @classmethod
    def load(cls, raw: dict[str, Any]) -> FleetAlarm:
        rest = {key: value for key, value in raw.items() if key not in ("told", "sides")}
        sides = {k: (int(v[0]), bool(v[1])) for k, v in raw["sides"].items()}
        return cls(**rest, text_order=raw["told"], sides=sides)


def merged(known: FleetAlarm | None, event: AlarmTransition, order: int) -> FleetAlarm:
    """Return an alarm after one more event of it.

    ``order`` grows with the site's own order of events.
    """
    sides = dict(known.sides) if known is not None else {}
    for side, has in _SIDES[event.transition]:
        if order >= sides.get(side, (-1, False))[0]:
            sides[side] = (order, has)
    newer = known is None or order >= known.text_order
    text = event.text if newer or known is None else known.text
    return FleetAlarm(
        id=event.id, condition=event.condition, asset=event.asset, priority=event.priority.value,
        signal=event.signal.value, since=event.since if known is None else known.since,
        text=text, text_order=order if newer or known is None else known.text_order, sides=sides,
    )
