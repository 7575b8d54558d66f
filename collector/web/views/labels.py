"""Labels of states and transitions, instants and point values in words."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from collector.domain.events import Priority, Transition
from collector.domain.formatting import scale_of, value_text
from collector.domain.live import AlarmState
from collector.domain.readings import MODES, Quantity

__all__ = [
    "PRIORITY_MARKS", "STATE_WORDS", "TRANSITION_WORDS", "Shown", "moment", "shown_value",
]

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
