"""Durations and values in words, in the units that a site reads: the one writer of both."""

from __future__ import annotations

from typing import NamedTuple

from collector.domain.events import INSTANT_UNIT

__all__ = ["Scale", "duration_words", "scale_of", "value_words"]

_MINUTE, _HOUR, _DAY = 60, 3600, 86_400


def duration_words(duration: float) -> str:
    """Return a duration (ms) in at most two units; a negative one is 0 s.

    >>> [duration_words(s * 1000) for s in (0, 42, 725, 3600, 7860, 90_000, 200_000, 864_000)]
    ['0 s', '42 s', '12 min 5 s', '1 h', '2 h 11 min', '25 h', '2 days 8 h', '10 days']
    """
    seconds = max(round(duration / 1000), 0)
    if seconds < _MINUTE:
        return f"{seconds} s"
    if seconds < _HOUR:
        return _two(seconds, _MINUTE, "min", 1, "s")
    if round(seconds / _MINUTE) * _MINUTE < 2 * _DAY:
        return _two(round(seconds / _MINUTE) * _MINUTE, _HOUR, "h", _MINUTE, "min")
    if seconds < 10 * _DAY:
        return _two(round(seconds / _HOUR) * _HOUR, _DAY, "days", _HOUR, "h")
    return f"{round(seconds / _DAY)} days"


def _two(seconds: int, large: int, large_unit: str, small: int, small_unit: str) -> str:
    whole, rest = divmod(seconds, large)
    return f"{whole} {large_unit}" + (f" {rest // small} {small_unit}" if rest else "")


class Scale(NamedTuple):
    """How a unit of record is shown: ``value * factor + shift`` in ``unit``."""

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


def value_words(value: float, scale: Scale, digits: int | None = None) -> str:
    """Return a value (unit of record) with its unit.

    >>> value_words(25.0, scale_of("psi", "us")), value_words(-20.0, scale_of("degC", "metric"))
    ('25.0 psi', '−20.0 °C')
    """
    digits = scale.digits if digits is None else digits
    text = f"{value * scale.factor + scale.shift:.{digits}f}"
    if not float(text):
        text = f"{0:.{digits}f}"  # no minus before a zero
    return f"{text.replace('-', '−')} {scale.unit}".rstrip()
