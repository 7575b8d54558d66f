"""The headline: state, what, where and the next action of the site at a glance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from collector.domain.events import AlarmTransition, Transition
from collector.domain.units import scale_of, value_text, with_capital
from collector.web.views import BoardFacts, moment
from collector.web.views.alarms import AlarmView
from collector.web.views.assets import AssetView
from collector.web.views.windows import STATES, DeclarationView


@dataclass(frozen=True, slots=True, kw_only=True)
class Headline:
    """The site's state. ``tone`` is ``normal``, ``not-normal``, ``impaired`` or ``unsure``."""

    tone: str
    sentence: str
    detail: str
    where: str = ""
    next: str = ""
    """The next action in words; ``link`` is the page it is done on."""
    link: str = ""
    alarm: AlarmView | None = None
    """The alarm that the headline is about."""
    ends: DeclarationView | None = None
    """The declaration that the headline is about."""


def counted(number: int, one: str, many: str = "") -> str:
    """Return a number with its noun.

    >>> counted(1, "alarm"), counted(2, "alarm"), counted(0, "entry", "entries")
    ('1 alarm', '2 alarms', '0 entries')
    """
    return f"{number} {one if number == 1 else many or one + 's'}"


def headline(
    facts: BoardFacts, alarms: Sequence[AlarmView], assets: Sequence[AssetView],
    declared: Sequence[DeclarationView], zone: ZoneInfo,
) -> Headline:
    """Return the headline; first of all, whether the data of the page are current."""
    urgent = [a for a in alarms if a.needs_action]
    if not facts.health.alive:
        return Headline(
            tone="unsure", sentence="This page cannot be trusted now", where=facts.plant.site.name,
            detail="; ".join(facts.health.reasons) + ". Look at the plant itself.",
            next="See what ails the collector", link="/health",
        )
    if urgent:
        return _alarm_headline(urgent, declared)
    if declared:
        return _declared_headline(facts, alarms, declared)
    return _normal_headline(facts, alarms, assets, zone)


def _alarm_headline(
    urgent: Sequence[AlarmView], declared: Sequence[DeclarationView],
) -> Headline:
    present = [a for a in urgent if a.present]
    waiting = sum(a.waits for a in urgent)
    first = present[0] if present else urgent[0]
    more = f" and {len(present) - 1} more" if len(present) > 1 else ""
    parts = [f"{waiting} not acknowledged." if waiting else "All acknowledged.",
             f"{first.priority.capitalize()} {first.signal}."]
    if first.measured is not None:
        parts.append(f"{with_capital(first.measured.label)}: {first.measured.comparison}.")
    if declared:
        parts.append(f"{declared[0].state}: {declared[0].where}.")
    return Headline(
        tone="not-normal" if present else "unsure", detail=" ".join(parts),
        where=f"{first.where}, since {first.since.text}.",
        sentence=f"{first.title}{more}" if present
        else f"{first.title}: returned to normal, not acknowledged",
        next=f"Check first: {first.checks[0]}" if first.checks and present
        else "Acknowledge it to close it" if not present else "See what it says below",
        link="/alarms#live", alarm=first,
    )


def _declared_headline(
    facts: BoardFacts, alarms: Sequence[AlarmView], declared: Sequence[DeclarationView],
) -> Headline:
    first = declared[0]
    same = [d for d in declared if d.kind == first.kind]
    parts = [first.declared + "."] if len(declared) == 1 else [
        " ".join(f"{d.heading} until {d.until}." for d in declared)]
    parts.append(f"{counted(len(alarms), 'alarm')} suppressed.")
    if facts.fills:
        parts.append(f"{counted(len(facts.fills), 'fill')} declared: see below.")
    return Headline(
        tone="impaired", sentence=f"{STATES[first.kind]} until {first.until}",
        where="; ".join(d.where for d in same), detail=" ".join(parts), ends=first,
        next="End it when the work is done; alarms still present are then raised",
        link="/work#fills" if first.kind == "fill" else "/windows",
    )


def _normal_headline(
    facts: BoardFacts, alarms: Sequence[AlarmView], assets: Sequence[AssetView], zone: ZoneInfo,
) -> Headline:
    site = facts.plant.site.name
    if not facts.points:
        return Headline(tone="unsure", sentence="No data yet", where=site, link="/health",
                        detail="No device has answered since the start.",
                        next="Check power and network of the devices")
    ends = [e.time for e in facts.events
            if isinstance(e, AlarmTransition) and e.transition is Transition.RETURNED]
    since = (f"Since {moment(max(ends), zone, facts.now)}." if ends
             else "No alarm in the last 24 hours.")
    if facts.log_trouble:
        since = "Since when is not known: the journal cannot be read."
    parts = [since]
    if alarms:
        parts.append(f"{counted(len(alarms), 'alarm')} suppressed: see Alarms.")
    if facts.not_monitored:
        parts.append(f"{counted(len(facts.not_monitored), 'condition')} not monitored.")
    unsure = [asset.name for asset in assets if asset.points and asset.tone == "unsure"]
    if unsure:
        # No alarm is not the same as normal: points without valid data may hide one.
        return Headline(tone="unsure", sentence="No active alarms, but some data is missing",
                        detail=f"Points without valid data at: {'; '.join(unsure)}.",
                        where=site, next="Check the devices there", link="/health")
    purges = _purges(facts)
    return Headline(
        tone="normal", sentence="No active alarms", detail=" ".join(parts),
        where="; ".join(purges) or site,
        next="Nothing to do; the purge goes on by itself" if purges else "Nothing to do",
    )


def _purges(facts: BoardFacts) -> list[str]:
    """Return a line for each vent whose oxygen is above its target."""
    lines = []
    for vent in facts.plant.vents.values():
        state = facts.points.get(f"{vent.id}.oxygen")
        good = state.last_good.value if state is not None and state.last_good else None
        if vent.target_oxygen is not None and good is not None and good > vent.target_oxygen:
            shown = value_text(good, scale_of("%", "us"))
            lines.append(f"Purge under way at {vent.name}: {shown} oxygen, target "
                         f"{vent.target_oxygen:g} %")
    return lines
