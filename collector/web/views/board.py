"""The overview: alarms in order of urgency, headline, assets, fills, baselines, lists."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from collector.domain.actions import Baseline, DeclaredFill
from collector.domain.events import AlarmTransition, Priority, Transition
from collector.domain.live import AlarmState, LiveAlarm
from collector.web.views import (
    PRIORITY_MARKS,
    STATE_WORDS,
    BoardFacts,
    Gap,
    Line,
    When,
    about_of,
    collector_lines,
    device_lines,
    estimate_lines,
    gaps_of,
    location_of,
    log_lines,
    moment,
    title_of,
    when_of,
)
from collector.web.views.assets import AssetView, asset_views

__all__ = [
    "AlarmView", "BaselineView", "BoardFacts", "BoardView", "FillPlace", "FillView", "Headline",
    "UNSUPPRESSED", "baseline_id", "baseline_views", "board_view", "by_urgency", "fill_places",
    "fill_views",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class FillView:
    """One declared fill: who declared it and why, and the alarms it suppresses."""

    asset: str
    where: str
    until: When
    declared: str
    effects: tuple[Line, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FillPlace:
    """A generator or riser whose fill can be declared."""

    asset: str
    name: str
    more: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BaselineView:
    """One baseline as a line; ``about`` is the handbook's page about its quantity."""

    id: str
    title: str
    about: str
    value: str
    state: str
    more: str
    may_reset: bool


def baseline_id(baseline: Baseline) -> str:
    """Return the id of a baseline, such as ``compressor-delivery.gen1``."""
    return f"{baseline.quantity}.{baseline.asset}"


def _titles(conditions: Sequence[str]) -> str:
    return "; ".join(title_of(c).lower() for c in conditions) + "."


def fill_views(facts: BoardFacts, zone: ZoneInfo) -> tuple[FillView, ...]:
    """Return the declared fills in the order given."""
    return tuple(_fill(fill, facts, zone) for fill in facts.fills)


def _fill(fill: DeclaredFill, facts: BoardFacts, zone: ZoneInfo) -> FillView:
    since = "" if fill.since is None else f" at {moment(fill.since, zone, facts.now)}"
    declared = f"Declared by {fill.by}{since}: {fill.why}" if fill.by \
        else "It is not known who declared it."
    effects = (
        ("Suppressed during the fill:", fill.held),
        ("Suppressed for a day after it:", fill.afterwards),
        ("With a longer limit:", fill.longer),
    )
    lines = [Line(what=what, more=_titles(conditions)) for what, conditions in effects
             if conditions]
    return FillView(
        asset=fill.asset, where=location_of(facts.plant, fill.asset), declared=declared,
        until=when_of(fill.until, zone, facts.now),
        effects=tuple(lines) or (Line(what="It suppresses no alarm."),),
    )


def fill_places(facts: BoardFacts, zone: ZoneInfo) -> tuple[FillPlace, ...]:
    """Return every generator and riser, with the fill declared for it."""
    until = {f.asset: f"declared until {moment(f.until, zone, facts.now)}; declare it again to "
                      "change the end" for f in facts.fills}
    plant = facts.plant
    return tuple(
        FillPlace(asset=asset, name=plant.name_of(asset), more=until.get(asset, ""))
        for asset in (*plant.generators, *plant.risers)
    )


def baseline_views(facts: BoardFacts, zone: ZoneInfo) -> tuple[BaselineView, ...]:
    """Return every baseline: value, state, and the data it is learned from."""
    return tuple(_baseline(one, facts, zone) for one in facts.baselines)


def _baseline(one: Baseline, facts: BoardFacts, zone: ZoneInfo) -> BaselineView:
    quantity = one.quantity.replace("-", " ").capitalize()
    value = "–" if one.value is None else f"{one.value:.4g} {one.unit}".rstrip()
    if one.given:
        state, more = "set in the site file", ""
    elif one.accepted_by:
        state, more = "accepted", f"Signed by {one.accepted_by}."
    elif one.value is None:
        state = f"learning, {one.days} of {one.needed} days"
        more = f"A day counts with {one.conditions}."
    else:
        learned = "" if one.window is None \
            else f" {moment(one.window[1], zone, facts.now)}"
        state = f"learned{learned}"
        more = f"From {one.days} days with {one.conditions}."
    return BaselineView(
        id=baseline_id(one), title=f"{quantity}, {location_of(facts.plant, one.asset)}",
        about=one.quantity, value=value, state=state, more=more,
        may_reset=not one.given,
    )


_ORDER = (
    AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.OUT_OF_SERVICE, AlarmState.SUPPRESSED, AlarmState.SHELVED, AlarmState.NORMAL,
)
UNSUPPRESSED = frozenset(_ORDER[:3])
"""States that need an operator; in the others the alarm is suppressed on purpose."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmView:
    """One alarm as an entry of a page."""

    id: str
    asset: str
    title: str
    about: str
    """The handbook's page about its condition; empty where there is none."""
    where: str
    state: str
    needs_action: bool
    waits: bool
    """Whether it is not acknowledged yet."""
    present: bool
    folds: bool
    """Whether it is suppressed by design and not present: an impairment makes many of them."""
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
    """The site's state in one sentence. ``tone`` is ``normal``, ``not-normal`` or ``unsure``."""

    tone: str
    sentence: str
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardView:
    """Everything that the overview shows."""

    site: str
    date: str
    time: When
    zone: str
    headline: Headline
    fills: tuple[FillView, ...]
    alarms: tuple[AlarmView, ...]
    assets: tuple[AssetView, ...]
    fill_places: tuple[FillPlace, ...]
    baselines: tuple[BaselineView, ...]
    devices: tuple[Line, ...]
    collector: tuple[Line, ...]
    gaps: tuple[Gap, ...]
    gap_count: int
    estimates: tuple[Line, ...]
    log: tuple[Line, ...]


def by_urgency(alarms: Sequence[LiveAlarm]) -> list[LiveAlarm]:
    """Return alarms by urgency: unacknowledged first, then by priority, oldest first."""
    priorities = tuple(Priority)
    return sorted(alarms, key=lambda a: (
        _ORDER.index(a.state), priorities.index(a.priority), a.since, a.id,
    ))


def board_view(facts: BoardFacts) -> BoardView:
    """Return the overview of the facts."""
    zone = ZoneInfo(facts.plant.site.timezone)
    alarms = by_urgency(facts.alarms)
    time = when_of(facts.now, zone, facts.now)
    today, clock_zone = _date(facts.now, zone)
    assets = asset_views(
        facts.plant, facts.points, alarms, facts.events, now=facts.now, pace=facts.pace,
    )
    return BoardView(
        site=facts.plant.site.name, time=time, date=today, zone=clock_zone,
        headline=_headline(facts, alarms, assets, zone),
        alarms=tuple(_alarm(a, facts, zone) for a in alarms),
        assets=assets, fills=fill_views(facts, zone), fill_places=fill_places(facts, zone),
        baselines=baseline_views(facts, zone),
        devices=tuple(device_lines(facts)), collector=tuple(collector_lines(facts)),
        gaps=gaps_of(facts), gap_count=len(facts.not_monitored),
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
        about=about_of(alarm.condition), where=location_of(facts.plant, alarm.asset),
        state=STATE_WORDS[alarm.state], needs_action=alarm.state in UNSUPPRESSED, waits=waits,
        present=alarm.present,
        folds=alarm.state is AlarmState.SUPPRESSED and not alarm.present,
        priority=alarm.priority.value, signal=alarm.signal.value,
        mark=PRIORITY_MARKS[alarm.priority], since=when_of(alarm.since, zone, facts.now),
        text=alarm.text, note=note, may_acknowledge=waits,
        may_shelve=alarm.state in UNSUPPRESSED,
        may_unshelve=alarm.state is AlarmState.SHELVED,
        may_take_out=alarm.state is not AlarmState.OUT_OF_SERVICE,
        may_put_back=alarm.state is AlarmState.OUT_OF_SERVICE,
    )


def _count(number: int, one: str, many: str) -> str:
    return f"1 {one}" if number == 1 else f"{number} {many}"


def _headline(
    facts: BoardFacts, alarms: Sequence[LiveAlarm], assets: Sequence[AssetView], zone: ZoneInfo,
) -> Headline:
    """Return the headline; first of all, whether the data of the page are current."""
    urgent = [a for a in alarms if a.state in UNSUPPRESSED]
    present = [a for a in urgent if a.present]
    if not facts.health.alive:
        return Headline(
            tone="unsure", sentence="This page cannot be trusted now",
            detail="; ".join(facts.health.reasons) + ". Look at the plant itself.",
        )
    if urgent:
        waiting = sum(a.state is not AlarmState.ACKNOWLEDGED for a in urgent)
        first = present[0] if present else urgent[0]
        more = f" and {len(present) - 1} more" if len(present) > 1 else ""
        sentence = f"{title_of(first.condition)}{more}" if present \
            else "Returned to normal, not acknowledged"
        detail = (
            f"{location_of(facts.plant, first.asset)}, since "
            f"{moment(first.since, zone, facts.now)}. "
            f"{f'{waiting} not acknowledged' if waiting else 'All acknowledged'}."
        )
        return Headline(tone="not-normal" if present else "unsure", sentence=sentence,
                        detail=detail)
    return _normal_headline(facts, alarms, assets, zone)


def _normal_headline(
    facts: BoardFacts, alarms: Sequence[LiveAlarm], assets: Sequence[AssetView], zone: ZoneInfo,
) -> Headline:
    if not facts.points:
        return Headline(tone="unsure", sentence="No data yet",
                        detail="No device has answered since the start.")
    ends = [e.time for e in facts.events
            if isinstance(e, AlarmTransition) and e.transition is Transition.RETURNED]
    since = (f"Since {moment(max(ends), zone, facts.now)}." if ends
             else "No alarm in the last 24 hours.")
    if facts.log_trouble:
        since = "Since when is not known: the journal cannot be read."
    parts = [since]
    if alarms:
        parts.append(f"{_count(len(alarms), 'alarm', 'alarms')} suppressed: see Alarms.")
    if facts.fills:
        # An alarm that a fill suppresses would otherwise pass for normal.
        parts.append(f"{_count(len(facts.fills), 'fill', 'fills')} declared: see below.")
    if facts.not_monitored:
        count = _count(len(facts.not_monitored), "condition", "conditions")
        parts.append(f"{count} not monitored.")
    unsure = [asset.name for asset in assets if asset.points and asset.tone == "unsure"]
    if unsure:
        # No alarm is not the same as normal: points without valid data may hide one.
        return Headline(tone="unsure", sentence="No active alarms, but some data is missing",
                        detail=f"Points without valid data at: {'; '.join(unsure)}.")
    return Headline(tone="normal", sentence="No active alarms",
                    detail=" ".join(parts))
