"""Numbers, instants and states in words."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from collector.domain.events import INSTANT_UNIT, Priority, Transition
from collector.domain.live import AlarmState
from collector.domain.readings import MODES, Quantity

__all__ = [
    "PRIORITY_MARKS", "STATE_WORDS", "TRANSITION_WORDS", "Shown", "age", "estimate_unit",
    "moment", "shown_value",
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

_MINUTE, _HOUR, _DAY = 60, 3600, 86400


def age(duration: int) -> str:
    """Write a duration (ms) with at most two units, the smaller only where it matters.

    >>> [age(t * 1000) for t in (0, 59, 61, 3600, 7860, 90000, 864000)]
    ['0 s', '59 s', '1 min', '1 h', '2 h 11 min', '1 d 1 h', '10 d']
    """
    seconds = max(duration, 0) // 1000
    if seconds < _MINUTE:
        return f"{seconds} s"
    if seconds < _HOUR:
        return f"{seconds // _MINUTE} min"
    if seconds < _DAY:
        hours, minutes = seconds // _HOUR, seconds % _HOUR // _MINUTE
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = seconds // _DAY, seconds % _DAY // _HOUR
    return f"{days} d {hours} h" if hours and days < 10 else f"{days} d"


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
    """A value as people read it: the text and its unit (empty where there is none)."""

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
    # A leg's 0 and 1 are what the input reads; naming them normal or not would be a guess.
    if quantity.endswith(("_no", "_nc")):
        return "0", "1"
    return "clear", "active"


_CONVERSIONS: dict[str, dict[str, tuple[Callable[[float], float], int, str]]] = {
    "us": {
        "psi": (lambda v: v, 1, "psi"),
        "degC": (lambda v: v * 1.8 + 32, 0, "°F"),
    },
    "metric": {
        "psi": (lambda v: v * 0.0689475729, 2, "bar"),
        "degC": (lambda v: v, 1, "°C"),
    },
}
"""From the unit of record to the site's: 1 psi = 6894.75729 Pa (NIST SP 811), F = 1.8 C + 32."""


def estimate_unit(unit: str, units: str) -> tuple[float, str]:
    """Return by what to multiply an estimate and the unit it then has, as the site reads it.

    >>> estimate_unit("scfh", "metric"), estimate_unit("scfh", "us")
    ((28.316846592, 'L/h'), (1.0, 'scfh'))
    """
    if unit == INSTANT_UNIT:
        return 1.0, ""
    if units == "metric":
        return {"scfh": (28.316846592, "L/h"), "psi": (0.0689475729, "bar")}.get(
            unit, (1.0, unit))
    return 1.0, unit


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
    if kind.unit == "count":
        return Shown(f"{value:.0f}", "")
    convert, digits, unit = _CONVERSIONS[units].get(
        kind.unit, (lambda v: v, 1, kind.unit)
    )
    text = f"{convert(value):.{digits}f}"
    return Shown(text.replace("-", "−") if float(text) else f"{0:.{digits}f}", unit)
