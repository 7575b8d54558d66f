"""The five queries of a service firm, over the sites that a person may see. Pure.

Sites with active alarms; leaks larger than last quarter; weak compressors; late purges; collectors
out of date.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from collector.clock import format_instant
from collector.domain.events import Event, event_to_json
from collector.fleet.hub_reader import FleetView
from collector.fleet.hub_state import FleetAlarm, SiteState
from collector.fleet.hub_trends import EstimateDay, Trend

_SURE = 1.645
"""One-sided 95 % of the normal distribution."""
_RANK = {"high": 0, "medium": 1, "low": 2}
_PURGE = frozenset({"oxygen-not-falling", "purge-blocked", "vent-stuck-closed"})
_SLIP = 7.0
"""Days by which the expected end of a purge must have moved to be called late."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One site of a query's result: the reason, and its weight (larger is worse)."""

    state: SiteState
    asset: str
    sentence: str
    weight: float
    numbers: Mapping[str, float | str]
    alarms: Sequence[FleetAlarm] = ()


def _worst_first(found: list[Answer]) -> list[Answer]:
    return sorted(found, key=lambda f: (-f.weight, f.state.key, f.asset))


def in_trouble(view: FleetView) -> list[Answer]:
    """Return sites that are silent, or have an active alarm of more than service."""
    found = []
    for state in view.sites():
        active = [a for a in view.alarms(state) if a.is_active and a.signal != "service"]
        if not active:
            continue
        active.sort(key=lambda a: (_RANK.get(a.priority, 3), a.signal != "supervisory", a.since))
        weight = sum(10.0 ** (2 - _RANK.get(a.priority, 3)) for a in active)
        found.append(Answer(
            state=state, asset=active[0].asset, alarms=active, weight=weight,
            sentence="; ".join(dict.fromkeys(a.condition for a in active)),
            numbers={"alarms": len(active)},
        ))
    return _worst_first(found)


def leaking_more(view: FleetView) -> list[Answer]:
    """Return the sites whose leak is larger this quarter than last, beyond its noise."""
    return _worst_first([
        found for state in view.sites() for trend in view.trends(state)
        if trend.quantity == "leak-rate"
        for found in _beyond_noise(state, trend, sign=1, what="leak rate")
    ])


def compressor_tiring(view: FleetView) -> list[Answer]:
    """Return the sites where a compressor is called weak, or delivers less than last quarter."""
    found = []
    for state in view.sites():
        weak = {a.asset: a for a in view.alarms(state) if a.condition == "compressor-weak"}
        for asset, alarm in weak.items():
            found.append(Answer(state=state, asset=asset, alarms=(alarm,), weight=1000.0,
                                 sentence="compressor-weak is active", numbers={}))
        for trend in view.trends(state):
            if trend.quantity == "compressor-delivery" and trend.asset not in weak:
                found += _beyond_noise(state, trend, sign=-1, what="delivery")
    return _worst_first(found)


def _beyond_noise(state: SiteState, trend: Trend, *, sign: int, what: str) -> list[Answer]:
    change = sign * (trend.now - trend.before)
    if change <= 0 or change <= _SURE * trend.doubt or trend.before == 0:
        return []
    share = 100 * change / abs(trend.before)
    word = "more" if sign > 0 else "less"
    return [Answer(
        state=state, asset=trend.asset, weight=share,
        sentence=f"{what} {trend.now:.3g} {trend.unit}, {share:.0f} % {word} than last quarter "
                 f"({trend.before:.3g} {trend.unit})",
        numbers={"now": trend.now, "before": trend.before, "percent": round(share, 1),
                 "unit": trend.unit},
    )]


def purge_late(view: FleetView, now: int) -> list[Answer]:
    """Return the sites where an alarm holds up a purge, or its expected end moved on by days."""
    found = []
    for state in view.sites():
        held: dict[str, list[FleetAlarm]] = {}
        for alarm in view.alarms(state):
            if alarm.condition in _PURGE and alarm.is_active:
                held.setdefault(alarm.asset, []).append(alarm)
        for asset, alarms in held.items():
            found.append(Answer(
                state=state, asset=asset, alarms=alarms, weight=1000.0, numbers={},
                sentence="; ".join(a.condition for a in alarms)))
        for trend in view.trends(state):
            slipped = (trend.now - trend.before) / 86_400
            if trend.quantity == "purge-done-at" and trend.asset not in held \
                    and slipped >= _SLIP and trend.now * 1000 > now:
                found.append(Answer(
                    state=state, asset=trend.asset, weight=slipped,
                    sentence=f"its expected end has moved by {slipped:.0f} days",
                    numbers={"slipped_days": round(slipped, 1)}))
    return _worst_first(found)


def out_of_date(view: FleetView, newest: str | None) -> list[Answer]:
    """Return the sites whose collector is older than ``newest``, or than the newest one seen."""
    known = [(s, _version(s.version)) for s in view.sites() if s.version]
    wanted = _version(newest) if newest else max((v for _, v in known), default=())
    name = newest or next((s.version for s, v in known if v == wanted), "")
    return _worst_first([
        Answer(state=s, asset="", weight=float(sum(
            (b - a) * 1000.0 ** (2 - n) for n, (a, b) in enumerate(zip(v, wanted, strict=False)))),
            sentence=f"version {s.version}; the newest is {name}",
            numbers={"version": s.version, "newest": name})
        for s, v in known if v < wanted
    ])


def _version(text: str) -> tuple[int, ...]:
    parts = []
    for part in text.split(".")[:3]:
        digits = "".join(c for c in part if c.isdigit())
        parts.append(int(digits[:6] or 0))
    return tuple(parts)


QUESTIONS = {
    "in-trouble": "Which sites are in trouble now?",
    "leaking-more": "Which sites leak more than last quarter?",
    "compressor-tiring": "Which compressors deliver less?",
    "purge-late": "Which purges are late?",
    "out-of-date": "Which collectors are out of date?",
}
"""The id of each question in the interface, and its words."""


def answers_to(question: str, view: FleetView, now: int, newest: str | None) -> list[Answer]:
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


def answer_of(found: Answer) -> dict[str, Any]:
    """Return a query's result for one site as plain data."""
    return {
        "group": found.state.group, "site": found.state.site, "name": found.state.name,
        "asset": found.asset, "why": found.sentence, "numbers": dict(found.numbers),
        "alarms": [alarm_answer(a) for a in found.alarms],
    }


def alarm_answer(alarm: FleetAlarm) -> dict[str, Any]:
    return {
        "id": alarm.id, "condition": alarm.condition, "asset": alarm.asset,
        "priority": alarm.priority, "signal": alarm.signal, "since": format_instant(alarm.since),
        "acknowledged": alarm.has("acknowledged"), "stands": alarm.is_active, "text": alarm.text,
    }


def connection_state(state: SiteState) -> str:
    """Return the state of a site at the hub: ``silent``, ``online`` or ``offline``."""
    if state.silent is not None:
        return "silent"
    return "online" if state.online else "offline"


def overview(state: SiteState, view: FleetView) -> dict[str, Any]:
    """Return one site in short form, as plain data."""
    alarms = [a for a in view.alarms(state) if a.is_active]
    return {
        "group": state.group, "site": state.site, "name": state.name, "version": state.version,
        "state": connection_state(state), "heard": format_instant(state.heard) if state.heard
        else None,
        "alarms": len(alarms), "behind": state.behind,
    }


def site_answer(
    state: SiteState, view: FleetView, estimates: Sequence[EstimateDay],
) -> dict[str, Any]:
    """Return one site with all its current data."""
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
    return {"group": group, **json.loads(event_to_json(event))}
