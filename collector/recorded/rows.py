"""Rows of recorded readings: text to value and back, in the unit of record.

A row is a plain tuple: a recording has millions, and objects are made only where they are used.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta

from collector.clock import parse_instant
from collector.config.diagnostics import nearest
from collector.config.units import QuantityError, affine
from collector.domain.readings import (
    MODES,
    QUANTITIES,
    Quality,
    Quantity,
    Reading,
    point_kind,
    split_point,
)

__all__ = ["COLUMNS", "BadRow", "Row", "RowReader", "quantity_of", "readings_of", "scale_of",
           "value_text"]

COLUMNS = ("time", "point", "value", "unit", "quality", "why")
"""Every column, in the order in which they are written; the first three must be there."""

Row = tuple[int, str, float | None, Quality, str]
"""Time (ms), point, value in the unit of record, quality, why."""

_KIND_OF_UNIT = {"psi": "pressure", "%": "percent", "degC": "temperature", "h": "hours"}
_QUALITIES = {q.value: q for q in Quality} | {"": Quality.GOOD}
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)
_UNITS_OF_TIME = ((1e11, 1), (1e14, 1000), (1e17, 10**6), (1e20, 10**9))
"""Numbers below each limit, and how many of their unit are a second: whatever the unit, they mean
1973 to 5138; smaller ones are seconds."""
_DAY_NUMBERS = (20_000, 80_000)
"""Days since 1899-12-30, as spreadsheets write instants: 1954 to 2119."""


class BadRow(ValueError):
    """A row that cannot be read: ``problem`` and what was ``expected``."""

    def __init__(self, problem: str, expected: str = "") -> None:
        self.problem = problem
        self.expected = expected
        super().__init__(problem)


def quantity_of(point: str) -> Quantity:
    """Return the quantity of a point of any asset. Raises :class:`BadRow`."""
    try:
        _, name = split_point(point)
    except ValueError as exc:
        raise BadRow(f'not a point: "{point}"', "<thing>.<quantity> such as gen1.mode") from exc
    for kind in QUANTITIES:
        # A name means the same unit whatever it is read of; a test holds the table to it.
        found = point_kind(kind, name)
        if found is not None:
            return found
    known = {q for group in QUANTITIES.values() for q in group}
    raise BadRow(f'unknown quantity "{name}"{nearest(name, known)}', "one of " +
                 ", ".join(sorted(known)))


Convert = Callable[[str], float | None]


class RowReader:
    """Converts fields of text into rows; caches the conversion for each point and unit."""

    def __init__(self) -> None:
        self._converters: dict[tuple[str, str], tuple[Convert, Quantity]] = {}
        self._time_text: str | None = None
        self._time = 0
        self._per_second: int | None = None

    def row(self, time: str, point: str, value: str, unit: str, quality: str, why: str) -> Row:
        """Return one row. Raises :class:`BadRow`."""
        if time != self._time_text:
            self._time = self._instant(time)
            self._time_text = time
        known = self._converters.get((point, unit))
        if known is None:
            known = self._converters[point, unit] = _converter(point, unit), quantity_of(point)
        convert, quantity = known
        try:
            trust = _QUALITIES[quality]
        except KeyError:
            raise BadRow(f'unknown quality "{quality}"', "good, bad or stale") from None
        number = convert(value)
        if number is None and trust is Quality.GOOD:
            if quality:
                raise BadRow("good, but there is no value", "a value, or bad or stale")
            trust = Quality.STALE
        elif number is not None and trust is Quality.GOOD:
            impossible = quantity.impossible(number)
            if impossible:
                return self._time, point, number, Quality.BAD, impossible
        return self._time, point, number, trust, why

    def _instant(self, text: str) -> int:
        """Return an instant in ms. The first number of a recording tells the unit of all."""
        try:
            if text[4:5] == "-":  # ISO 8601: by far the most, and quicker than by way of float()
                with contextlib.suppress(ValueError):  # what is wrong with it is said below
                    moment = datetime.fromisoformat(text)
                    if moment.tzinfo is not None:
                        return round((moment - _EPOCH) / _MS)
            number = _plain_number(text)
            if number is None or not math.isfinite(number):
                return parse_instant(text)
        except (ValueError, OverflowError) as exc:
            problem, _, expected = str(exc).partition("; ")
            raise BadRow(problem, expected.removeprefix("expected ")) from exc
        if self._per_second is None:
            self._per_second = _per_second(text, number)
        return round(number * 1000 / self._per_second)


def _plain_number(text: str) -> float | None:
    try:
        return None if "_" in text else float(text)
    except ValueError:
        return None


def _per_second(text: str, number: float) -> int:
    """Return how many units of a time are a second. Raises :class:`BadRow` when that is unsure."""
    if _DAY_NUMBERS[0] <= number < _DAY_NUMBERS[1]:
        raise BadRow(f"{text} is the day number of a spreadsheet, or seconds of 1970",
                     "ISO 8601 such as 2026-03-01T00:10:05Z, or seconds since 1970")
    for limit, per in _UNITS_OF_TIME:
        if abs(number) < limit:
            return per
    raise BadRow(f"not a time: {text}", "ISO 8601 such as 2026-03-01T00:10:05Z")


def scale_of(quantity: Quantity, unit: str) -> tuple[float, float] | None:
    """Return factor and shift from ``unit`` to the unit of record; ``None`` where it is that.

    Raises :class:`BadRow`.
    """
    if not unit or unit == quantity.unit:
        return None
    kind = _KIND_OF_UNIT.get(quantity.unit)
    try:
        if kind is None:
            raise QuantityError(f'{quantity.label} has no unit "{unit}"', "no unit")
        return affine(unit, kind)
    except QuantityError as exc:
        raise BadRow(f'unit "{unit}" does not fit {quantity.label}', exc.expected) from exc


def _converter(point: str, unit: str) -> Convert:
    quantity = quantity_of(point)
    if quantity.unit == "mode":
        return _mode
    scale = scale_of(quantity, unit)
    if scale is None:
        return _number
    factor, shift = scale

    def scaled(text: str) -> float | None:
        number = _number(text)
        return None if number is None else number * factor + shift
    return scaled


def _number(text: str) -> float | None:
    if not text:
        return None
    value = _plain_number(text)
    if value is None:
        raise BadRow(f'not a number: "{text}"', "a number, or nothing")
    if math.isfinite(value):
        return value
    if math.isnan(value):  # how many programs write "nothing"
        return None
    raise BadRow(f'not a finite number: "{text}"', "a number, or nothing")


def _mode(text: str) -> float | None:
    if text in MODES:
        return float(MODES.index(text))
    try:
        return _number(text)
    except BadRow:
        raise BadRow(f'unknown mode "{text}"{nearest(text, MODES)}', ", ".join(MODES)) from None


def value_text(value: float | None, quantity: Quantity) -> str:
    """Write a value so that reading it returns the same number."""
    if value is None or math.isnan(value):
        return ""
    whole = value.is_integer()
    if quantity.unit == "mode" and whole and 0 <= value < len(MODES):
        return MODES[int(value)]
    if whole and quantity.unit in ("contact", "count", "mode"):
        return str(int(value))
    return repr(value)


def readings_of(rows: Iterable[Row]) -> Sequence[Reading]:
    """Return rows as readings, with the time as the instant of the request too."""
    return [
        Reading(point=point, asked=time, time=time, value=value, quality=quality, why=why)
        for time, point, value, quality, why in rows
    ]
