"""From facts to what the board shows. Pure: no request, no clock, no HTML."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from collector.domain.events import AlarmMoved, Priority, Transition
from collector.domain.live import AlarmState, LiveAlarm
from collector.web.board_fills import (
    BaselineView,
    FillPlace,
    FillView,
    baseline_views,
    fill_places,
    fill_views,
)
from collector.web.board_lists import (
    BoardFacts,
    Gap,
    Line,
    When,
    about_of,
    collector_lines,
    device_lines,
    estimate_lines,
    gaps_of,
    log_lines,
    place_of,
    title_of,
    when_of,
)
from collector.web.thing_view import ThingView, thing_views
from collector.web.words import PRIORITY_MARKS, STATE_WORDS, moment

__all__ = [
    "LOUD", "AlarmView", "BoardFacts", "BoardView", "Headline", "board_view", "in_order",
]

_ORDER = (
    AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.OUT_OF_SERVICE, AlarmState.SUPPRESSED, AlarmState.SHELVED, AlarmState.NORMAL,
)
LOUD = frozenset(_ORDER[:3])
"""States that ask for somebody; the others were quieted on purpose."""

@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmView:
    """One alarm as an entry on the sheet."""

    id: str
    asset: str
    title: str
    about: str
    """The handbook's page about its condition; empty where there is none."""
    where: str
    state: str
    loud: bool
    waits: bool
    """Whether somebody still has to acknowledge it."""
    present: bool
    folds: bool
    """Whether it is only held back by design and not there anyhow: a window makes many such."""
    priority: str
    signal: str
    mark: str
    since: When
    text: str
    note: str
    may_acknowledge: bool
    may_shelve: bool
    may_unshelve: bool
    may_take_out: bool
    may_put_back: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """The one sentence for arm's length. ``tone`` is ``normal``, ``not-normal`` or ``unsure``."""

    tone: str
    sentence: str
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardView:
    """The board, ready to be written."""

    site: str
    date: str
    time: When
    zone: str
    headline: Headline
    fills: tuple[FillView, ...]
    alarms: tuple[AlarmView, ...]
    things: tuple[ThingView, ...]
    fill_places: tuple[FillPlace, ...]
    baselines: tuple[BaselineView, ...]
    devices: tuple[Line, ...]
    collector: tuple[Line, ...]
    gaps: tuple[Gap, ...]
    gap_count: int
    estimates: tuple[Line, ...]
    log: tuple[Line, ...]


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
    time = when_of(facts.now, zone, facts.now)
    today, clock_zone = _date(facts.now, zone)
    things = thing_views(
        facts.plant, facts.points, alarms, facts.events, now=facts.now, pace=facts.pace,
    )
    return BoardView(
        site=facts.plant.site.name, time=time, date=today, zone=clock_zone,
        headline=_headline(facts, alarms, things, zone),
        alarms=tuple(_alarm(a, facts, zone) for a in alarms),
        things=things, fills=fill_views(facts, zone), fill_places=fill_places(facts, zone),
        baselines=baseline_views(facts, zone),
        devices=tuple(device_lines(facts)), collector=tuple(collector_lines(facts)),
        gaps=gaps_of(facts), gap_count=len(facts.not_watched),
        estimates=tuple(estimate_lines(facts.estimates, facts.plant, zone, facts.now)),
        log=tuple(log_lines(facts, zone)),
    )


def _date(now: int, zone: ZoneInfo) -> tuple[str, str]:
    local = datetime.fromtimestamp(now // 1000, zone)
    return f"{local:%A} {local.day} {local:%B %Y}", f"{local:%Z}"


def _alarm(alarm: LiveAlarm, facts: BoardFacts, zone: ZoneInfo) -> AlarmView:
    note = ", ".join(part for part in (
        f"until {moment(alarm.until, zone, facts.now)}" if alarm.until is not None else "",
        f"by {alarm.by}" if alarm.by else "",
    ) if part)
    if alarm.why:
        note = f"{note}: {alarm.why}" if note else alarm.why
    waits = alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED)
    return AlarmView(
        id=alarm.id, asset=alarm.asset, title=title_of(alarm.condition),
        about=about_of(alarm.condition), where=place_of(facts.plant, alarm.asset),
        state=STATE_WORDS[alarm.state], loud=alarm.state in LOUD, waits=waits,
        present=alarm.present,
        folds=alarm.state is AlarmState.SUPPRESSED and not alarm.present,
        priority=alarm.priority.value, signal=alarm.signal.value,
        mark=PRIORITY_MARKS[alarm.priority], since=when_of(alarm.since, zone, facts.now),
        text=alarm.text, note=note, may_acknowledge=waits,
        may_shelve=alarm.state in LOUD,
        may_unshelve=alarm.state is AlarmState.SHELVED,
        may_take_out=alarm.state is not AlarmState.OUT_OF_SERVICE,
        may_put_back=alarm.state is AlarmState.OUT_OF_SERVICE,
    )


def _count(number: int, one: str, many: str) -> str:
    return f"1 {one}" if number == 1 else f"{number} {many}"


def _headline(
    facts: BoardFacts, alarms: Sequence[LiveAlarm], things: Sequence[ThingView], zone: ZoneInfo,
) -> Headline:
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
            f"{title_of(first.condition).lower()}, {place_of(facts.plant, first.asset)}, since "
            f"{moment(first.since, zone, facts.now)}."
        )
        return Headline(tone="not-normal" if present else "unsure", sentence=sentence,
                        detail=detail)
    return _quiet_headline(facts, alarms, things, zone)


def _quiet_headline(
    facts: BoardFacts, alarms: Sequence[LiveAlarm], things: Sequence[ThingView], zone: ZoneInfo,
) -> Headline:
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
    if facts.fills:
        # What a fill holds back would otherwise pass for normal.
        parts.append(f"{_count(len(facts.fills), 'fill is', 'fills are')} declared: see below.")
    if facts.not_watched:
        parts.append(f"{_count(len(facts.not_watched), 'condition is', 'conditions are')} not "
                     "watched.")
    blind = [thing.name for thing in things if thing.points and thing.tone == "unsure"]
    if blind:
        # No alarm is not the same as normal: what cannot be seen must not be vouched for.
        return Headline(tone="unsure", sentence="No alarm stands, but not all can be seen",
                        detail=f"Points without a good reading at: {'; '.join(blind)}.")
    return Headline(tone="normal", sentence="All that is watched is normal",
                    detail=" ".join(parts))


