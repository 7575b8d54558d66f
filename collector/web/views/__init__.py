"""Pure functions from facts to the contents of pages: no request, no clock, no HTML."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import NamedTuple
from zoneinfo import ZoneInfo

from collector.clock import format_instant
from collector.domain.actions import Baseline, DeclaredFill, Window
from collector.domain.conditions import CATALOGUE
from collector.domain.evaluations import NotMonitored
from collector.domain.events import (
    INSTANT_UNIT,
    AlarmTransition,
    EstimateMade,
    Event,
    Priority,
    SystemEvent,
    Transition,
)
from collector.domain.live import AlarmState, LiveAlarm, PointState
from collector.domain.plant import Plant
from collector.domain.readings import MODES, Quantity
from collector.domain.units import duration_text, scale_of, value_text
from collector.web.services import CollectorStatistics, Health

STATE_WORDS = {
    AlarmState.NORMAL: "normal",
    AlarmState.UNACKNOWLEDGED: "not acknowledged",
    AlarmState.ACKNOWLEDGED: "acknowledged",
    AlarmState.RETURNED_UNACKNOWLEDGED: "returned to normal, not acknowledged",
    AlarmState.SHELVED: "shelved",
    AlarmState.SUPPRESSED: "suppressed by design",
    AlarmState.OUT_OF_SERVICE: "out of service",
}

TRANSITION_WORDS = {
    Transition.RAISED: "raised",
    Transition.ACKNOWLEDGED: "acknowledged",
    Transition.RETURNED: "returned to normal",
    Transition.SHELVED: "shelved",
    Transition.UNSHELVED: "unshelved",
    Transition.SUPPRESSED: "suppressed",
    Transition.UNSUPPRESSED: "no longer suppressed",
    Transition.OUT_OF_SERVICE: "taken out of service",
    Transition.IN_SERVICE: "put back in service",
}

PRIORITY_MARKS = {Priority.HIGH: "triangle", Priority.MEDIUM: "diamond", Priority.LOW: "bar"}
"""Each priority has a shape of its own, so that it reads without colour."""


def moment(instant: int, zone: ZoneInfo, now: int) -> str:
    """Write an instant (ms) in the site's zone: the time alone when it is today's.

    >>> zone = ZoneInfo("Europe/London")
    >>> moment(1784448605000, zone, 1784448665000), moment(1784448605000, zone, 1784535065000)
    ('09:10', '19 Jul 09:10')
    """
    when = datetime.fromtimestamp(instant // 1000, zone)
    today = datetime.fromtimestamp(now // 1000, zone)
    if when.date() == today.date():
        return f"{when:%H:%M}"
    if when.year == today.year:
        return f"{when.day} {when:%b %H:%M}"
    return f"{when.day} {when:%b %Y %H:%M}"


class Shown(NamedTuple):
    """A value in words, and its unit (empty where it has none)."""

    text: str
    unit: str


def _contact_words(quantity: str) -> tuple[str, str]:
    if quantity == "power":
        return "off", "on"
    if quantity == "compressor_running":
        return "stopped", "running"
    if quantity in ("open", "bypass_open"):
        return "closed", "open"
    if quantity == "water":
        return "dry", "water"
    # A leg's 0 and 1 are the input's state; calling them normal or not would be a guess.
    if quantity.endswith(("_no", "_nc")):
        return "0", "1"
    return "clear", "active"


def shown_value(value: float, quantity: str, kind: Quantity, units: str) -> Shown:
    """Write a value in the site's units (``us`` or ``metric``).

    >>> shown_value(100.0, "pressure", Quantity(unit="psi", label=""), "metric")
    Shown(text='6.89', unit='bar')
    """
    if kind.unit == "contact":
        return Shown(_contact_words(quantity)[value != 0], "")
    if kind.unit == "mode":
        code = int(value)
        known = code == value and 0 <= code < len(MODES)
        return Shown(MODES[code] if known else f"unknown mode {value:g}", "")
    text, _, unit = value_text(value, scale_of(kind.unit, units)).partition(" ")
    return Shown(text, unit)


_LOG_LINES = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardFacts:
    """The facts that the board shows.

    ``now`` in ms; ``pace`` as in :func:`collector.web.services.pace_of`.
    """

    plant: Plant
    points: Mapping[str, PointState]
    alarms: Sequence[LiveAlarm]
    not_monitored: Sequence[NotMonitored]
    fills: Sequence[DeclaredFill]
    baselines: Sequence[Baseline]
    estimates: Sequence[EstimateMade]
    events: Sequence[Event]
    """Of the last 24 hours, in time order."""
    statistics: CollectorStatistics
    health: Health
    now: int
    pace: float
    windows: Sequence[Window] = ()
    """Impairments and visits in force."""
    log_trouble: str = ""
    """Reason for which the events could not be read; ``events`` is then empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class When:
    """An instant (ms) in words, as ISO 8601, and its age."""

    instant: int
    text: str
    iso: str
    ago: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a list."""

    what: str
    more: str = ""
    when: When | None = None
    good: bool = True
    about: str = ""
    """Id of the handbook's page about it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NotMonitoredView:
    """One condition that is not monitored, and where; ``about`` as in :class:`Line`."""

    title: str
    places: str
    about: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Conditions that are not monitored for one reason."""

    reason: str
    conditions: tuple[NotMonitoredView, ...]


def when_of(instant: int, zone: ZoneInfo, now: int) -> When:
    """Return an instant (ms) in words, as ISO 8601, and its age."""
    return When(instant=instant, text=moment(instant, zone, now), iso=format_instant(instant),
                ago=duration_text(now - instant))


def title_of(condition: str) -> str:
    """Return the title of a condition; its id where this version does not know it."""
    known = CATALOGUE.get(condition)
    return known.title if known is not None else condition


def about_of(condition: str) -> str:
    """Return the id of a condition's page; empty where this version does not know it."""
    return condition if condition in CATALOGUE else ""


def location_of(plant: Plant, asset: str) -> str:
    """Return the name of an asset; a contact is named by its asset and the point."""
    name = plant.name_of(asset)
    thing_id, dot, quantity = asset.rpartition(".")
    if name == asset and dot:
        return f"{plant.name_of(thing_id)}, {quantity.replace('_', ' ')}"
    return name


def device_lines(facts: BoardFacts) -> list[Line]:
    """Return a line for each device: whether it answers, its last answer, its failures."""
    lines = []
    for device in facts.statistics.devices:
        name = facts.plant.name_of(device.device)
        last = "never answered" if device.last_answer is None \
            else f"last answer {duration_text(facts.now - device.last_answer)} ago"
        late = f", poll {duration_text(device.lateness_middle)} late" \
            if device.lateness_middle and device.lateness_middle >= 1000 * facts.pace else ""
        more = f"{last}{late}; {device.polls} polls, {device.failures} failed"
        lines.append(Line(
            what=f"{name}: {'responding' if device.answering else 'not responding'}",
            more=f"{more}; {device.why}." if device.why else f"{more}.", good=device.answering,
        ))
    return lines


def collector_lines(facts: BoardFacts) -> list[Line]:
    """Return a line for each part of the collector itself."""
    numbers, now = facts.statistics, facts.now
    turn = "have not run yet" if numbers.last_turn is None \
        else f"ran {duration_text(now - numbers.last_turn)} ago"
    written = "nothing written yet" if numbers.last_commit is None \
        else f"written {duration_text(now - numbers.last_commit)} ago"
    if numbers.journal_trouble:
        written = f"cannot write: {numbers.journal_trouble}"
    given_up = numbers.deliveries_given_up
    return [
        Line(what="Rules", more=turn, good=facts.health.alive or bool(numbers.journal_trouble)),
        Line(what="Journal", more=f"{written}; {numbers.waiting} readings waiting, "
                                  f"{numbers.dropped} dropped",
             good=not numbers.journal_trouble and not numbers.dropped),
        Line(what="Messages", more=f"{numbers.deliveries_waiting} waiting, {given_up} given up",
             good=not given_up),
        *_forward_lines(numbers, now),
        Line(what="Running", more=f"for {duration_text(now - numbers.started)}"),
    ]


def _forward_lines(numbers: CollectorStatistics, now: int) -> list[Line]:
    lines = []
    for one in numbers.forwards:
        last = "nothing sent yet" if one.last_sent is None \
            else f"last sent {duration_text(now - one.last_sent)} ago"
        late = f"; {one.missing} commits of an outage still to be sent" if one.missing else ""
        bad = f"; {one.dead_letters} dead letters" if one.dead_letters else ""
        why = f"; {one.why}" if one.why else ""
        lines.append(Line(what=f"{one.target}: {'reachable' if one.reachable else 'unreachable'}",
                          more=f"{last}{late}{bad}{why}",
                          good=one.reachable and not one.dead_letters))
    return lines


def gaps_of(facts: BoardFacts) -> tuple[Gap, ...]:
    """Group the conditions that are not monitored by reason, the shortest group first."""
    reasons: dict[str, dict[str, list[str]]] = {}
    for gap in facts.not_monitored:
        places = reasons.setdefault(gap.reason, {}).setdefault(gap.condition, [])
        if gap.asset:
            places.append(location_of(facts.plant, gap.asset))
    groups = [
        Gap(reason=reason, conditions=tuple(
            NotMonitoredView(title=title_of(condition), places=", ".join(places),
                      about=about_of(condition))
            for condition, places in conditions.items()
        ))
        for reason, conditions in reasons.items()
    ]
    return tuple(sorted(groups, key=lambda g: len(g.conditions)))


def estimate_lines(
    estimates: Sequence[EstimateMade], plant: Plant, zone: ZoneInfo, now: int,
) -> list[Line]:
    """Return a line for each quantity: value, interval and window, or the reason there is none."""
    lines = []
    for made in sorted(estimates, key=lambda e: (e.asset, e.quantity)):
        quantity = made.quantity.replace("-", " ").capitalize()
        what = f"{quantity}, {location_of(plant, made.asset)}"
        if made.value is None:
            more = f"none: {made.reason}"
        else:
            more = _figures(made, zone, now, plant.site.units)
            if made.window is not None:
                more += f", from {duration_text(made.window[1] - made.window[0])} of readings"
            if made.reason:
                more += f"; {made.reason}"
        lines.append(Line(what=what, more=more, when=when_of(made.time, zone, now),
                          good=made.value is not None, about=made.quantity))
    return lines


def _figures(made: EstimateMade, zone: ZoneInfo, now: int, units: str) -> str:
    """Return value and interval in words; an instant by the site's clock."""
    def shown(number: float) -> str:
        if made.unit == INSTANT_UNIT:
            return moment(round(number * 1000), zone, now)
        return f"{number * scale.factor:.4g}"

    assert made.value is not None
    scale = scale_of(made.unit, units)
    unit = {"% d": "percent-days"}.get(scale.unit, scale.unit)
    text = f"{shown(made.value)} {unit}".rstrip()
    if made.low is not None and made.high is not None:
        text += f" ({shown(made.low)} to {shown(made.high)})"
    return text


_INHIBITING = {
    Transition.SUPPRESSED: "suppressed", Transition.UNSUPPRESSED: "no longer suppressed",
    Transition.OUT_OF_SERVICE: "taken out of service",
    Transition.IN_SERVICE: "put back in service",
}


def declared_together(events: Iterable[Event]) -> Iterator[list[Event]]:
    """Yield events one by one, but those that one declaration moved as one group."""
    def key(event: Event) -> object:
        if isinstance(event, AlarmTransition) and event.transition in _INHIBITING:
            return event.transition, event.by, event.why, event.time // 1000
        return id(event)

    for _, group in groupby(events, key):
        yield list(group)


def together_words(events: Sequence[Event], plant: Plant) -> tuple[str, str]:
    """Return what moved together, such as ``16 alarms taken out of service``, and why."""
    first = events[0]
    assert isinstance(first, AlarmTransition)
    places = dict.fromkeys(location_of(plant, e.asset) for e in events
                           if isinstance(e, AlarmTransition))
    by = f"by {first.by}" if first.by else ""
    said = f"{by}: {first.why}" if by and first.why else by or first.why
    return (f"{len(events)} alarms {_INHIBITING[first.transition]}",
            ". ".join(p for p in (", ".join(places), said) if p))


def log_lines(facts: BoardFacts, zone: ZoneInfo) -> list[Line]:
    """Return the latest entries, newest first, with who did it and why."""
    lines: list[Line] = []
    if facts.log_trouble:
        lines.append(Line(what="The journal cannot be read", more=facts.log_trouble, good=False,
                          when=when_of(facts.now, zone, facts.now)))
    for group in declared_together(reversed(facts.events)):
        event, when = group[0], when_of(group[0].time, zone, facts.now)
        match event:
            case AlarmTransition() if len(group) > 1:
                what, more = together_words(group, facts.plant)
                lines.append(Line(when=when, what=what, more=more))
            case AlarmTransition():
                who = f" by {event.by}" if event.by else ""
                why = f": {event.why}" if event.why else ""
                lines.append(Line(
                    when=when, what=f"{title_of(event.condition)}, "
                                    f"{location_of(facts.plant, event.asset)}",
                    more=f"{TRANSITION_WORDS[event.transition]}{who}{why}",
                    good=event.transition is not Transition.RAISED,
                ))
            case SystemEvent():
                lines.append(Line(when=when, what=event.text))
            case EstimateMade():
                continue
        if len(lines) == _LOG_LINES:
            break
    return lines
