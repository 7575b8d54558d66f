"""Checks of arguments; the errors state the value given."""

from __future__ import annotations

import math

__all__ = ["at_least", "between", "finite", "fraction", "non_negative", "positive"]


def finite(name: str, value: float) -> float:
    """Return ``value``, or raise ``ValueError`` when it is infinite or not a number."""
    if not math.isfinite(value):
        raise ValueError(f"{name} must be a finite number, given {value!r}")
    return value


def positive(name: str, value: float) -> float:
    """Return ``value``, or raise ``ValueError`` unless it is finite and above zero."""
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"{name} must be above zero, given {value!r}")
    return value


def non_negative(name: str, value: float) -> float:
    """Return ``value``, or raise ``ValueError`` unless it is finite and not below zero."""
    if not (math.isfinite(value) and value >= 0):
        raise ValueError(f"{name} must not be below zero, given {value!r}")
    return value


def fraction(name: str, value: float) -> float:
    """Return ``value``, or raise ``ValueError`` unless it lies in 0..1.

    It refuses percent passed as a fraction, the most common mistake with oxygen.
    """
    if not 0 <= value <= 1:
        raise ValueError(f"{name} must be a fraction between 0 and 1, given {value!r}")
    return value


def between(name: str, value: float, low: float, high: float) -> float:
    """Return ``value``, or raise ``ValueError`` unless ``low <= value <= high``."""
    if not low <= value <= high:
        raise ValueError(f"{name} must lie between {low!r} and {high!r}, given {value!r}")
    return value


def at_least(name: str, value: int, least: int) -> int:
    """Return the count ``value``, or raise ``ValueError`` when it is below ``least``."""
    if value < least:
        raise ValueError(f"{name} must be at least {least}, given {value!r}")
    return value
