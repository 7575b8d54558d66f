"""The overview: alarms in order of urgency, headline, assets, fills, baselines, lists."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from collector.domain.actions import Baseline, DeclaredFill
from collector.web.views import (
    BoardFacts,
    Gap,
    Line,
    When,
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
from collector.web.views.alarms import UNSUPPRESSED, AlarmView, alarm_view, by_urgency
from collector.web.views.assets import AssetView, asset_views
from collector.web.views.headline import Headline, headline
from collector.web.views.windows import DeclarationView, declaration_views

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


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardView:
    """Everything that the overview shows."""

    site: str
    date: str
    time: When
    zone: str
    headline: Headline
    declared: tuple[DeclarationView, ...]
    """Impairments, visits and fills in force, the gravest first."""
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


def board_view(facts: BoardFacts) -> BoardView:
    """Return the overview of the facts."""
    zone = ZoneInfo(facts.plant.site.timezone)
    alarms = tuple(alarm_view(a, facts, zone) for a in by_urgency(facts.alarms))
    declared = declaration_views(facts.windows, facts.fills, facts.plant, facts.now)
    time = when_of(facts.now, zone, facts.now)
    today, clock_zone = _date(facts.now, zone)
    assets = asset_views(
        facts.plant, facts.points, facts.alarms, facts.events, declared, now=facts.now,
        pace=facts.pace,
    )
    if not facts.health.alive:
        assets = tuple(replace(a, tone="unsure", state=f"last known: {a.state}") for a in assets)
    return BoardView(
        site=facts.plant.site.name, time=time, date=today, zone=clock_zone,
        headline=headline(facts, alarms, assets, declared, zone),
        alarms=alarms, declared=declared,
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
