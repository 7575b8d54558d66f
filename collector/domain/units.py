"""Units of record, durations, and the one writer of durations and values in words.

Instants and durations are integers in milliseconds; pressures in pascals where physics needs them.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from math import isfinite
from typing import NamedTuple
from zoneinfo import ZoneInfo

from collector.domain.events import INSTANT_UNIT

SECOND = 1000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR
WEEK = 7 * DAY

PSI = 6894.757293168
"""One pound-force per square inch in pascals: 0.45359237 kg x 9.80665 m/s2 / (0.0254 m)2."""

ZERO_CELSIUS = 273.15
"""0 degrees C in kelvin."""


_NUMBER = re.compile(r"\s*[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?\s*")
_SIZES = ((86_400, "d", 3600, "h"), (3600, "h", 60, "min"), (60, "min", 1, "s"))
"""A unit in s and its symbol, and the same of the unit below it."""
_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - shifted into UTC below, without a float on the way


def plain_number(text: str) -> float | None:
    """Return a finite number as people write it, or ``None``: Python takes more for numbers.

    >>> plain_number("-1.5e3"), plain_number("1_0"), plain_number("nan"), plain_number("١")
    (-1500.0, None, None, None)
    """
    return float(text) if _NUMBER.fullmatch(text) and isfinite(float(text)) else None


def duration_text(duration: float) -> str:
    """Return a duration (ms) in at most two units, rounded down; a negative one is 0 s.

    >>> [duration_text(s * 1000) for s in (0, 42, 725, 7845, 90_000, 200_000, 864_000)]
    ['0 s', '42 s', '12 min 5 s', '2 h 10 min', '1 d 1 h', '2 d 7 h', '10 d']
    """
    seconds = max(round(duration), 0) // SECOND
    for size, unit, part, part_unit in _SIZES:
        if seconds >= size:
            rest = seconds % size // part
            return f"{seconds // size} {unit}" + (f" {rest} {part_unit}" if rest else "")
    return f"{seconds} s"


def local_time(instant: int, zone: ZoneInfo) -> datetime:
    """Return an instant (ms since 1970 UTC) on the wall clock of ``zone``."""
    utc = (_EPOCH + timedelta(milliseconds=instant)).replace(tzinfo=ZoneInfo("UTC"))
    return utc.astimezone(zone)


def time_text(instant: int, zone: ZoneInfo) -> str:
    """Write an instant by the site's clock, with the zone's own letters for it.

    >>> time_text(1774749005000, ZoneInfo("Europe/London"))
    'Sunday 29 March 2026, 02:50:05 BST'
    """
    local = local_time(instant, zone)
    return f"{local:%A} {local.day} {local:%B %Y, %H:%M:%S %Z}"


class Scale(NamedTuple):
    """Conversion of a unit of record for display: ``value * factor + shift`` in ``unit``."""

    unit: str
    factor: float = 1.0
    shift: float = 0.0
    digits: int = 1


_METRIC = {
    "psi": Scale("bar", 0.0689475729, digits=2),  # 1 psi = 6894.75729 Pa (NIST SP 811)
    "scfh": Scale("L/h", 28.316846592),  # 1 ft = 0.3048 m
    "degC": Scale("°C"),
}
_US = {"degC": Scale("°F", 1.8, 32.0, digits=0)}
_PLAIN = Scale("", digits=0)


def scale_of(unit: str, units: str) -> Scale:
    """Return how a site that reads ``us`` or ``metric`` units is shown a unit of record.

    >>> scale_of("scfh", "metric").unit, scale_of("scfh", "us").unit
    ('L/h', 'scfh')
    """
    if unit in ("contact", "mode", "count", INSTANT_UNIT):
        return _PLAIN
    return (_METRIC if units == "metric" else _US).get(unit, Scale(unit))


def value_text(value: float, scale: Scale, digits: int | None = None) -> str:
    """Return a value (unit of record) with its unit.

    >>> value_text(25.0, scale_of("psi", "us")), value_text(-20.0, scale_of("degC", "metric"))
    ('25.0 psi', '−20.0 °C')
    """
    digits = scale.digits if digits is None else digits
    text = f"{value * scale.factor + scale.shift:.{digits}f}"
    if not float(text):
        text = f"{0:.{digits}f}"  # no minus before a zero
    return f"{text.replace('-', '−')} {scale.unit}".rstrip()


def with_capital(text: str) -> str:
    """Return a text that begins with a capital; its other letters stay as they are."""
    return text[:1].upper() + text[1:]
