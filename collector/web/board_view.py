"""From facts to what the board shows. Pure: no request, no clock, no HTML."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from collector.clock import format_instant
from collector.domain.conditions import CATALOGUE
from collector.domain.events import AlarmMoved, EstimateMade, Event, FactNoted, Priority, Transition
from collector.domain.live import AlarmState, LiveAlarm, PointState
from collector.domain.plant import Plant
from collector.domain.verdicts import NotWatched
from collector.web.health import Health
from collector.web.services import CollectorStatistics
from collector.web.thing_view import ThingView, thing_views
from collector.web.words import PRIORITY_MARKS, STATE_WORDS, TRANSITION_WORDS, age, moment

__all__ = [
    "LOUD", "AlarmView", "BoardFacts", "BoardView", "When", "board_view", "in_order",
]

_ORDER = (
    AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.OUT_OF_SERVICE, AlarmState.SUPPRESSED, AlarmState.SHELVED, AlarmState.NORMAL,
)
LOUD = frozenset(_ORDER[:3])
"""States that ask for somebody; the others were quieted on purpose."""

_LOG_LINES = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardFacts:
    """Everything the board is made from. ``now`` in ms; ``pace`` as in ``health.pace_of``."""

    plant: Plant
    points: Mapping[str, PointState]
    alarms: Sequence[LiveAlarm]
    not_watched: Sequence[NotWatched]
    estimates: Sequence[EstimateMade]
    events: Sequence[Event]
    """Of the last 24 hours, in time order."""
    statistics: CollectorStatistics
    health: Health
    now: int
    pace: float
    may_act: bool
    log_trouble: str = ""
    """Why the events could not be read; they are then empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class When:
    """An instant for people, for machines, and how long ago."""

    text: str
    iso: str
    ago: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmView:
    """One alarm as an entry on the sheet."""

    id: str
    title: str
    where: str
    state: str
    loud: bool
    waits: bool
    """Whether somebody still has to acknowledge it."""
    present: bool
    priority: str
    signal: str
    mark: str
    since: When
    text: str
    note: str
    may_acknowledge: bool
    may_shelve: bool
    may_unshelve: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """The one sentence for arm's length. ``tone`` is ``normal``, ``not-normal`` or ``unsure``."""

    tone: str
    sentence: str
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of a list: when (where it has one), what, and more about it."""

    what: str
    more: str = ""
    when: When | None = None
    good: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Conditions that are not watched for one reason."""

    reason: str
    conditions: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardView:
    """The board, ready to be written."""

    site: str
    date: str
    time: When
    zone: str
    headline: Headline
    alarms: tuple[AlarmView, ...]
    things: tuple[ThingView, ...]
    devices: tuple[Line, ...]
    collector: tuple[Line, ...]
    gaps: tuple[Gap, ...]
    gap_count: int
    estimates: tuple[Line, ...]
    log: tuple[Line, ...]
    may_act: bool


def in_order(alarms: Sequence[LiveAlarm]) -> list[LiveAlarm]:
    """Return alarms in the order to take them: unacknowledged, by priority, oldest first."""
    priorities = tuple(Priority)
    return sorted(alarms, key=lambda a: (
        _ORDER.index(a.state), priorities.index(a.priority), a.since, a.id,
    ))


def board_view(facts: BoardFacts) -> BoardView:
    """Make the board from the facts."""
    zone = ZoneInfo(facts.plant.site.timezone)
    alarms = in_order(facts.alarms)
    time = _when(facts.now, zone, facts.now)
    today, clock_zone = _date(facts.now, zone)
    return BoardView(
        site=facts.plant.site.name, time=time, date=today, zone=clock_zone,
        headline=_headline(facts, alarms, zone),
        alarms=tuple(_alarm(a, facts, zone) for a in alarms),
        things=thing_views(
            facts.plant, facts.points, alarms, facts.events, now=facts.now, pace=facts.pace,
        ),
        devices=tuple(_devices(facts)), collector=tuple(_collector(facts)),
        gaps=_gaps(facts), gap_count=len(facts.not_watched),
        estimates=tuple(_estimates(facts, zone)), log=tuple(_log(facts, zone)),
        may_act=facts.may_act,
    )


def _date(now: int, zone: ZoneInfo) -> tuple[str, str]:
    local = datetime.fromtimestamp(now // 1000, zone)
    return f"{local:%A} {local.day} {local:%B %Y}", f"{local:%Z}"


def _when(instant: int, zone: ZoneInfo, now: int) -> When:
    return When(text=moment(instant, zone, now), iso=format_instant(instant),
                ago=age(now - instant))


def title_of(condition: str) -> str:
    """Return how people call a condition."""
    known = CATALOGUE.get(condition)
    return known.title if known is not None else condition


def _place(plant: Plant, asset: str) -> str:
    """Name an asset; a contact's is its thing's name and the point."""
    name = plant.name_of(asset)
    thing_id, dot, quantity = asset.rpartition(".")
    if name == asset and dot:
        return f"{plant.name_of(thing_id)}, {quantity.replace('_', ' ')}"
    return name


def _alarm(alarm: LiveAlarm, facts: BoardFacts, zone: ZoneInfo) -> AlarmView:
    note = ", ".join(part for part in (
        f"until {moment(alarm.until, zone, facts.now)}" if alarm.until is not None else "",
        f"by {alarm.by}" if alarm.by else "",
    ) if part)
    if alarm.why:
        note = f"{note}: {alarm.why}" if note else alarm.why
    waits = alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED)
    return AlarmView(
        id=alarm.id, title=title_of(alarm.condition), where=_place(facts.plant, alarm.asset),
        state=STATE_WORDS[alarm.state], loud=alarm.state in LOUD, waits=waits, present=alarm.present,
        priority=alarm.priority.value, signal=alarm.signal.value,
        mark=PRIORITY_MARKS[alarm.priority], since=_when(alarm.since, zone, facts.now),
        text=alarm.text, note=note, may_acknowledge=facts.may_act and waits,
        may_shelve=facts.may_act and alarm.state in LOUD,
        may_unshelve=facts.may_act and alarm.state is AlarmState.SHELVED,
    )


def _count(number: int, one: str, many: str) -> str:
    return f"1 {one}" if number == 1 else f"{number} {many}"


def _headline(facts: BoardFacts, alarms: Sequence[LiveAlarm], zone: ZoneInfo) -> Headline:
    """Say what stands. A sheet that cannot vouch for itself says that before anything else."""
    loud = [a for a in alarms if a.state in LOUD]
    present = [a for a in loud if a.present]
    if not facts.health.alive:
        return Headline(
            tone="unsure", sentence="This sheet cannot be trusted now",
            detail="; ".join(facts.health.reasons) + ". Look at the plant itself.",
        )
    if loud:
        waiting = sum(a.state is not AlarmState.ACKNOWLEDGED for a in loud)
        number = _count(len(present), "condition is", "conditions are")
        sentence = f"{number} not normal" if present else "Back to normal, not yet acknowledged"
        first = loud[0]
        detail = (
            f"{f'{waiting} not acknowledged' if waiting else 'All acknowledged'}. First: "
            f"{title_of(first.condition).lower()}, {_place(facts.plant, first.asset)}, since "
            f"{moment(first.since, zone, facts.now)}."
        )
        return Headline(tone="not-normal" if present else "unsure", sentence=sentence,
                        detail=detail)
    return _quiet_headline(facts, alarms, zone)


def _quiet_headline(facts: BoardFacts, alarms: Sequence[LiveAlarm], zone: ZoneInfo) -> Headline:
    if not facts.points:
        return Headline(tone="unsure", sentence="No reading has come yet",
                        detail="Nothing can be said before the devices have answered.")
    ends = [e.time for e in facts.events
            if isinstance(e, AlarmMoved) and e.transition is Transition.RETURNED]
    since = (f"Since {moment(max(ends), zone, facts.now)}." if ends
             else "No alarm has ended in the last 24 hours.")
    if facts.log_trouble:
        since = "Since when cannot be said: the journal cannot be read."
    parts = [since]
    if alarms:
        parts.append(f"{_count(len(alarms), 'alarm is', 'alarms are')} quieted on purpose: see "
                     "below.")
    if facts.not_watched:
        parts.append(f"{_count(len(facts.not_watched), 'condition is', 'conditions are')} not "
                     "watched.")
    return Headline(tone="normal", sentence="All that is watched is normal",
                    detail=" ".join(parts))


def _devices(facts: BoardFacts) -> list[Line]:
    lines = []
    for device in facts.statistics.devices:
        name = facts.plant.name_of(device.device)
        last = "never answered" if device.last_answer is None \
            else f"last answer {age(facts.now - device.last_answer)} ago"
        late = f", begun {age(device.lateness)} late" \
            if device.lateness and device.lateness >= 1000 * facts.pace else ""
        more = f"{last}{late}; asked {device.polls} times, {device.failures} without a good answer"
        lines.append(Line(
            what=f"{name}: {'answers' if device.answering else 'does not answer'}",
            more=f"{more}. {device.why}" if device.why else f"{more}.", good=device.answering,
        ))
    return lines


def _collector(facts: BoardFacts) -> list[Line]:
    numbers, now = facts.statistics, facts.now
    turn = "have not run yet" if numbers.last_turn is None \
        else f"ran {age(now - numbers.last_turn)} ago"
    written = "nothing written yet" if numbers.last_commit is None \
        else f"written {age(now - numbers.last_commit)} ago"
    if numbers.journal_trouble:
        written = f"cannot write: {numbers.journal_trouble}"
    given_up = numbers.deliveries_given_up
    return [
        Line(what="Rules", more=turn, good=facts.health.alive or bool(numbers.journal_trouble)),
        Line(what="Journal", more=f"{written}; {numbers.waiting} readings waiting, "
                                  f"{numbers.dropped} given up",
             good=not numbers.journal_trouble and not numbers.dropped),
        Line(what="Messages", more=f"{numbers.deliveries_waiting} waiting, {given_up} given up",
             good=not given_up),
        Line(what="Running", more=f"for {age(now - numbers.started)}"),
    ]


def _gaps(facts: BoardFacts) -> tuple[Gap, ...]:
    """Group by reason: thirty lines of the same words would hide the one that matters."""
    reasons: dict[str, dict[str, list[str]]] = {}
    for gap in facts.not_watched:
        places = reasons.setdefault(gap.reason, {}).setdefault(title_of(gap.condition), [])
        if gap.asset:
            places.append(_place(facts.plant, gap.asset))
    groups = [
        Gap(reason=reason, conditions=tuple(
            f"{title} ({', '.join(places)})" if places else title
            for title, places in conditions.items()
        ))
        for reason, conditions in reasons.items()
    ]
    return tuple(sorted(groups, key=lambda g: len(g.conditions)))


def _estimates(facts: BoardFacts, zone: ZoneInfo) -> list[Line]:
    lines = []
    for made in sorted(facts.estimates, key=lambda e: (e.asset, e.quantity)):
        what = f"{made.quantity.replace('-', ' ').capitalize()}, {_place(facts.plant, made.asset)}"
        if made.value is None:
            more = f"none: {made.reason}"
        else:
            more = f"{made.value:.4g} {made.unit}".rstrip()
            if made.low is not None and made.high is not None:
                more += f" ({made.low:.4g} to {made.high:.4g})"
            if made.window is not None:
                more += f", from {age(made.window[1] - made.window[0])} of readings"
        lines.append(Line(what=what, more=more, when=_when(made.time, zone, facts.now),
                          good=made.value is not None))
    return lines


def _log(facts: BoardFacts, zone: ZoneInfo) -> list[Line]:
    lines: list[Line] = []
    if facts.log_trouble:
        lines.append(Line(what="The journal cannot be read", more=facts.log_trouble, good=False,
                          when=_when(facts.now, zone, facts.now)))
    for event in reversed(facts.events):
        when = _when(event.time, zone, facts.now)
        match event:
            case AlarmMoved():
                who = f" by {event.by}" if event.by else ""
                why = f": {event.why}" if event.why else ""
                lines.append(Line(
                    when=when, what=f"{title_of(event.condition)}, "
                                    f"{_place(facts.plant, event.asset)}",
                    more=f"{TRANSITION_WORDS[event.transition]}{who}{why}",
                    good=event.transition is not Transition.RAISED,
                ))
            case FactNoted():
                lines.append(Line(when=when, what=event.text))
            case EstimateMade():
                continue
        if len(lines) == _LOG_LINES:
            break
    return lines
