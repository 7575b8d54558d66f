"""One alarm as an entry of a page, and the order in which alarms are taken."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from collector.domain.conditions import CAUTIONS
from collector.domain.events import Priority
from collector.domain.live import AlarmState, LiveAlarm
from collector.domain.messages import Measured, measured_of, parts_of
from collector.web.views import (
    PRIORITY_MARKS,
    STATE_WORDS,
    BoardFacts,
    When,
    about_of,
    location_of,
    moment,
    title_of,
    when_of,
)

_ORDER = (
    AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.OUT_OF_SERVICE, AlarmState.SUPPRESSED, AlarmState.SHELVED, AlarmState.NORMAL,
)
UNSUPPRESSED = frozenset(_ORDER[:3])
"""States that need an operator; in the others the alarm is suppressed on purpose."""
ON_EVERY_PAGE = frozenset({CAUTIONS["not-a-fire-alarm"]})
"""Cautions that an entry leaves out, since each page has them once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmView:
    """One alarm as an entry of a page."""

    id: str
    condition: str
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
    """Whether it is inhibited by a declaration and not present: each makes many of them."""
    priority: str
    signal: str
    mark: str
    since: When
    measured: Measured | None
    facts: str
    """What is said of it beside title and start."""
    checks: tuple[str, ...]
    cautions: tuple[str, ...]
    note: str
    may_acknowledge: bool
    may_shelve: bool
    may_unshelve: bool
    may_take_out: bool
    may_put_back: bool


def by_urgency(alarms: Sequence[LiveAlarm]) -> list[LiveAlarm]:
    """Return alarms by urgency: unacknowledged first, then by priority, oldest first."""
    priorities = tuple(Priority)
    return sorted(alarms, key=lambda a: (
        _ORDER.index(a.state), priorities.index(a.priority), a.since, a.id,
    ))


def facts_of(text: str, title: str, where: str) -> str:
    """Return a text's facts without the title, place and start that its heading has.

    >>> facts_of("Pressure low: Dock riser. Since 00:10:05 on Sunday 1 March 2026 (GMT). It is 15 "
    ...          "psi.", "Pressure low", "Dock riser")
    'It is 15 psi.'
    """
    said = parts_of(text).facts.removeprefix(f"{title}: {where}.").strip()
    start, _, rest = said.partition("). ")
    return rest if said.startswith("Since ") and rest and ". " not in start else said


def alarm_view(alarm: LiveAlarm, facts: BoardFacts, zone: ZoneInfo) -> AlarmView:
    """Return one alarm as an entry."""
    note = ", ".join(part for part in (
        f"until {moment(alarm.until, zone, facts.now)}" if alarm.until is not None else "",
        f"by {alarm.by}" if alarm.by else "",
    ) if part)
    if alarm.why:
        note = f"{note}: {alarm.why}" if note else alarm.why
    waits = alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED)
    title, where = title_of(alarm.condition), location_of(facts.plant, alarm.asset)
    parts = parts_of(alarm.text)
    return AlarmView(
        id=alarm.id, condition=alarm.condition, asset=alarm.asset, title=title,
        about=about_of(alarm.condition), where=where,
        state=STATE_WORDS[alarm.state], needs_action=alarm.state in UNSUPPRESSED, waits=waits,
        present=alarm.present, folds=not alarm.present and _is_inhibited(alarm, facts),
        priority=alarm.priority.value, signal=alarm.signal.value,
        mark=PRIORITY_MARKS[alarm.priority], since=when_of(alarm.since, zone, facts.now),
        measured=measured_of(alarm.values, facts.plant.site.units),
        facts=facts_of(alarm.text, title, where), checks=parts.checks,
        cautions=tuple(c for c in parts.cautions if c not in ON_EVERY_PAGE),
        note=note, may_acknowledge=waits,
        may_shelve=alarm.state in UNSUPPRESSED,
        may_unshelve=alarm.state is AlarmState.SHELVED,
        may_take_out=alarm.state is not AlarmState.OUT_OF_SERVICE,
        may_put_back=alarm.state is AlarmState.OUT_OF_SERVICE,
    )


def _is_inhibited(alarm: LiveAlarm, facts: BoardFacts) -> bool:
    """Whether a declaration put it into its state: each is one line, not one for each alarm."""
    key = f"{alarm.condition}.{alarm.asset}"
    return alarm.state is AlarmState.SUPPRESSED or (
        alarm.state is AlarmState.OUT_OF_SERVICE and any(key in w.inhibits for w in facts.windows))
