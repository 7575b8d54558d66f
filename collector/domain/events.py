"""Events: facts in the past tense, as the journal keeps them and the outside reads them.

The JSON written here is a public contract: one line, keys in a fixed order, UTF-8.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from collector.clock import format_instant, parse_instant


class Signal(StrEnum):
    """The kind of a condition's signal, by fire-alarm practice."""

    SUPERVISORY = "supervisory"
    TROUBLE = "trouble"
    SERVICE = "service"


class Priority(StrEnum):
    """The priority of an alarm: the time within which a person must act."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


class Transition(StrEnum):
    """A transition of an alarm; the values are those of the JSON."""

    RAISED = "raised"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed"
    UNSUPPRESSED = "unsuppressed"
    OUT_OF_SERVICE = "out-of-service"
    IN_SERVICE = "in-service"


Values = Mapping[str, float | int | str | None]

INSTANT_UNIT = "s since 1970"
"""Unit of an estimate that is an instant (UTC); people are shown the time itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmTransition:
    """An alarm made a transition.

    ``id`` names this occurrence, from its raising to its return. ``by`` and ``why`` are filled when
    a person did it; ``until`` (ms) when it ends by itself.
    """

    time: int
    site: str
    condition: str
    asset: str
    transition: Transition
    priority: Priority
    signal: Signal
    since: int
    text: str
    id: str
    values: Values = field(default_factory=dict)
    by: str = ""
    why: str = ""
    until: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EstimateMade:
    """A quantity was computed, with its interval and window, or the reason why it was not."""

    time: int
    site: str
    quantity: str
    asset: str
    value: float | None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    window: tuple[int, int] | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemEvent:
    """An event of the daemon's own: started, stopped, delivery given up, and so on.

    ``fact`` is past tense in kebab case (``collector-started``); ``text`` is for people.
    """

    time: int
    site: str
    fact: str
    text: str
    asset: str = ""
    values: Values = field(default_factory=dict)


Event = AlarmTransition | EstimateMade | SystemEvent


def _bare(event: Event) -> dict[str, Any]:
    head: dict[str, Any] = {"time": format_instant(event.time), "site": event.site}
    match event:
        case AlarmTransition():
            body = head | {
                "kind": "alarm", "condition": event.condition, "asset": event.asset,
                "transition": event.transition.value, "priority": event.priority.value,
                "signal": event.signal.value, "since": format_instant(event.since),
                "text": event.text, "values": dict(event.values), "id": event.id,
            }
            if event.by:
                body["by"] = event.by
            if event.why:
                body["why"] = event.why
            if event.until is not None:
                body["until"] = format_instant(event.until)
            return body
        case EstimateMade():
            body = head | {
                "kind": "estimate", "quantity": event.quantity, "asset": event.asset,
                "value": event.value,
            }
            if event.value is not None:
                body |= {"low": event.low, "high": event.high, "unit": event.unit}
            if event.window is not None:
                body["window"] = [format_instant(t) for t in event.window]
            if event.reason:
                body["reason"] = event.reason
            return body
        case SystemEvent():
            body = head | {"kind": event.fact, "text": event.text}
            if event.asset:
                body["asset"] = event.asset
            if event.values:
                body["values"] = dict(event.values)
            return body


def event_to_json(event: Event) -> str:
    """Write an event as its one line of JSON, without the newline."""
    return json.dumps(_bare(event), ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def event_from_json(line: str) -> Event:
    """Read a line written by :func:`event_to_json`.

    Raises ``ValueError`` or ``KeyError`` when the line is something else.
    """
    try:
        return _from_raw(json.loads(line))
    except (TypeError, AttributeError, IndexError, OverflowError, RecursionError) as error:
        raise ValueError(f"not an event: {type(error).__name__}") from error


def _from_raw(raw: Any) -> Event:
    time, site = parse_instant(raw["time"]), raw["site"]
    if raw["kind"] == "alarm":
        return AlarmTransition(
            time=time, site=site, condition=raw["condition"], asset=raw["asset"],
            transition=Transition(raw["transition"]), priority=Priority(raw["priority"]),
            signal=Signal(raw["signal"]), since=parse_instant(raw["since"]), text=raw["text"],
            id=raw["id"], values=raw["values"], by=raw.get("by", ""), why=raw.get("why", ""),
            until=parse_instant(raw["until"]) if "until" in raw else None,
        )
    if raw["kind"] == "estimate":
        window = raw.get("window")
        return EstimateMade(
            time=time, site=site, quantity=raw["quantity"], asset=raw["asset"],
            value=raw["value"], low=raw.get("low"), high=raw.get("high"),
            unit=raw.get("unit", ""), reason=raw.get("reason", ""),
            window=(parse_instant(window[0]), parse_instant(window[1])) if window else None,
        )
    return SystemEvent(
        time=time, site=site, fact=raw["kind"], text=raw["text"],
        asset=raw.get("asset", ""), values=raw.get("values", {}),
    )
