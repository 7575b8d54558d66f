"""What the hub's HTTP interface answers: plain data from what a person may see. Pure."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from collector.clock import format_instant
from collector.domain.events import Event, event_to_json
from collector.fleet.hub_alarms import FleetAlarm
from collector.fleet.hub_questions import (
    Finding,
    compressor_tiring,
    in_trouble,
    leaking_more,
    out_of_date,
    purge_late,
)
from collector.fleet.hub_state import SiteState
from collector.fleet.hub_trends import EstimateDay
from collector.fleet.hub_view import FleetView

__all__ = [
    "QUESTIONS", "answer_of", "answers_to", "dead_letter_answer", "event_answer", "overview",
    "site_answer", "standing",
]

QUESTIONS = {
    "in-trouble": "Which sites are in trouble now?",
    "leaking-more": "Which leak more than last quarter?",
    "compressor-tiring": "Whose compressor is tiring?",
    "purge-late": "Whose purge is late?",
    "out-of-date": "Which collectors are out of date?",
}
"""The id of each question in the interface, and its words."""


def answers_to(question: str, view: FleetView, now: int, newest: str | None) -> list[Finding]:
    """Return the sites that answer a question, worst first."""
    if question == "in-trouble":
        return in_trouble(view)
    if question == "leaking-more":
        return leaking_more(view)
    if question == "compressor-tiring":
        return compressor_tiring(view)
    if question == "purge-late":
        return purge_late(view, now)
    return out_of_date(view, newest)


def answer_of(finding: Finding) -> dict[str, Any]:
    """Return one finding."""
    return {
        "group": finding.state.group, "site": finding.state.site, "name": finding.state.name,
        "asset": finding.asset, "why": finding.sentence, "numbers": dict(finding.numbers),
        "alarms": [alarm_answer(a) for a in finding.alarms],
    }


def alarm_answer(alarm: FleetAlarm) -> dict[str, Any]:
    """Return one alarm."""
    return {
        "id": alarm.id, "condition": alarm.condition, "asset": alarm.asset,
        "priority": alarm.priority, "signal": alarm.signal, "since": format_instant(alarm.since),
        "acknowledged": alarm.holds("acknowledged"), "stands": alarm.stands, "text": alarm.text,
    }


def standing(state: SiteState) -> str:
    """Return in a word how a site stands with the hub: ``silent``, ``online`` or ``offline``."""
    if state.silent is not None:
        return "silent"
    return "online" if state.online else "offline"


def overview(state: SiteState, view: FleetView) -> dict[str, Any]:
    """Return one site in a few words."""
    alarms = [a for a in view.alarms(state) if a.stands]
    return {
        "group": state.group, "site": state.site, "name": state.name, "version": state.version,
        "state": standing(state), "heard": format_instant(state.heard) if state.heard else None,
        "alarms": len(alarms), "behind": state.behind,
    }


def site_answer(
    state: SiteState, view: FleetView, estimates: Sequence[EstimateDay],
) -> dict[str, Any]:
    """Return one site with everything that is known of it now."""
    return {
        **overview(state, view), "timezone": state.timezone,
        "alarms": [alarm_answer(a) for a in view.alarms(state)],
        "things": {
            thing: {
                "kind": state.kinds.get(thing, ""), "answers": thing not in state.dead,
                "readings": {
                    name: {"value": m.value, "unit": m.unit, "good": m.quality == 192,
                           "time": format_instant(m.time) if m.time else None}
                    for name, m in metrics.items()
                },
            } for thing, metrics in state.things.items()
        },
        "estimates": [
            {"quantity": e.quantity, "asset": e.asset, "value": e.value, "low": e.low,
             "high": e.high, "unit": e.unit, "time": format_instant(e.time)}
            for e in estimates
        ],
    }


def dead_letter_answer(
    group: str, topic: str, reason: str, count: int, first: int, last: int, body: bytes,
) -> dict[str, Any]:
    """Return one message that was not accepted, its bytes as text as far as they are text."""
    return {"group": group, "topic": topic, "reason": reason, "count": count,
            "first": format_instant(first), "last": format_instant(last),
            "payload": body.decode("utf-8", "backslashreplace")}


def event_answer(group: str, event: Event) -> dict[str, Any]:
    """Return one event, with the group of its site."""
    return {"group": group, **json.loads(event_to_json(event))}
