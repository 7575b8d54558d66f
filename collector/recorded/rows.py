"""Rows of recorded readings: text to value and back, in the unit of record.

A row is a plain tuple: a recording has millions, and objects are made only where they are used.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from collector.clock import parse_instant
from collector.config.diagnostics import nearest
from collector.config.units import QuantityError, affine
from collector.domain.readings import (
    MODES,
    QUANTITIES,
    Columns,
    Quality,
    Quantity,
    point_kind,
    split_point,
)
from collector.recorded.formulas import without_mark

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

COLUMNS = ("time", "point", "value", "unit", "quality", "why")
"""Every column, in the order in which they are written; the first three must be there."""

Row = tuple[int, str, float | None, Quality, str]
"""Time (ms), point, value in the unit of record, quality, why."""

_KIND_OF_UNIT = {"psi": "pressure", "%": "percent", "degC": "temperature", "h": "hours"}
_QUALITIES = {q.value: q for q in Quality} | {"": Quality.GOOD}
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)
_UNITS_OF_TIME = ((1e11, 1), (1e14, 1000), (1e17, 10**6), (1e20, 10**9))
"""Numbers below each limit, and how many of their unit are a second: they mean 1973 to 5138."""
_DAY_NUMBERS = (20_000, 80_000)
"""Days since 1899-12-30, as spreadsheets write instants: 1954 to 2119."""


class BadRow(ValueError):
    """A row that cannot be read: ``problem`` and what was ``expected``."""

    def __init__(self, problem: str, expected: str = "") -> None:
        self.problem, self.expected = problem, expected
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
        return self._time, point, number, trust, without_mark(why)

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
        return None if "_" in text or not text.isascii() else float(text)
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


_PER_MS = {"us": 1000, "ns": 10**6}
_GOOD, _SAID_GOOD, _NOT_GOOD = 1, 2, 0
_QUALITY_CODES = {"": _GOOD, "good": _SAID_GOOD, "bad": _NOT_GOOD, "stale": _NOT_GOOD}


class Odd(Exception):
    """The block has something that only the row reader can handle."""


class Codes:
    """The points found so far, each with its code; builds columns."""

    def __init__(self) -> None:
        import numpy
        import pyarrow
        import pyarrow.compute

        self._np, self._arrow, self._compute = numpy, pyarrow, pyarrow.compute
        self.names: list[str] = []
        self._codes: dict[str, int] = {}
        self._quantities: list[Quantity] = []
        self._is_mode = self._is_whole = numpy.zeros(0, bool)
        self._limits = numpy.zeros((0, 2))
        self._scales: dict[tuple[int, str], tuple[float, float] | None] = {}

    def __repr__(self) -> str:
        return f"Codes({self.names})"

    def code(self, name: str) -> int:
        """Return the code of a point. Raises :class:`Odd` where it is none."""
        found = self._codes.get(name)
        if found is None:
            try:
                quantity = quantity_of(name)
            except BadRow as exc:
                raise Odd from exc
            found = self._codes[name] = len(self.names)
            self.names.append(name)
            self._quantities.append(quantity)
            self._is_mode = self._np.array([q.unit == "mode" for q in self._quantities])
            self._is_whole = self._np.array(
                [q.is_contact or q.unit == "mode" for q in self._quantities])
            self._limits = self._np.array([q.limits for q in self._quantities])
        return found

    def of_rows(self, rows: Sequence[Row]) -> Columns:
        import numpy as np

        n = len(rows)
        good = [r[2] is not None and r[3] is Quality.GOOD for r in rows]
        return Columns(
            names=self.names,
            times=np.fromiter((r[0] for r in rows), np.int64, n),
            points=np.fromiter((self.code(r[1]) for r in rows), np.int32, n),
            values=np.fromiter((np.nan if r[2] is None else r[2] for r in rows), np.float64, n),
            good=np.array(good, bool),
        )

    def columns(
        self, *, time: Any, point: Any, value: Any, unit: Any = None, quality: Any = None,
    ) -> Columns:
        """Return arrow arrays as columns; the last two may be missing.

        Raises :class:`Odd`, or an arrow exception, where anything is unusual or wrong.
        """
        points = self._looked_up(point, self.code).astype(self._np.int32)
        values = self._values(value, points)
        there = ~self._np.isnan(values)
        good = there
        if quality is not None:
            trust = self._looked_up(quality, _quality)
            if ((trust == _SAID_GOOD) & ~there).any():
                raise Odd
            good = there & (trust != _NOT_GOOD)
        if unit is not None:
            values = self._converted(values, points, unit)
        good = good & self._possible(values, points)
        return Columns(names=self.names, times=self._times(time), points=points, values=values,
                       good=good)

    def _possible(
        self, values: NDArray[np.float64], points: NDArray[np.int32],
    ) -> NDArray[np.bool_]:
        """Return which values their quantity can have, see :meth:`Quantity.impossible`."""
        if not len(points):
            return self._np.ones(0, bool)
        limits = self._limits[points]
        fits: NDArray[np.bool_] = (limits[:, 0] <= values) & (values <= limits[:, 1])
        fits &= ~self._is_whole[points] | (values == self._np.rint(values))
        return fits

    def _looked_up(self, column: Any, look: Any) -> NDArray[np.int64]:
        """Return ``look`` of each text, called once for each distinct one."""
        if not self._arrow.types.is_dictionary(column.type):
            if not self._is_text(column.type):
                raise Odd
            column = column.dictionary_encode()
        texts = column.dictionary.to_pylist()
        # What is null has the index -1, which in the table of answers is the last.
        places = column.indices.fill_null(-1).to_numpy(zero_copy_only=False)
        found = [look(text) for text in texts]
        found.append(look("") if column.null_count else 0)
        answers: NDArray[np.int64] = self._np.array(found, self._np.int64)[places]
        return answers

    def _is_text(self, kind: Any) -> bool:
        types = self._arrow.types
        return bool(types.is_string(kind) or types.is_large_string(kind))

    def _times(self, column: Any) -> NDArray[np.int64]:
        numpy, types, kind = self._np, self._arrow.types, column.type
        if column.null_count:
            raise Odd
        if types.is_timestamp(kind):
            if kind.tz is None:
                raise Odd
            whole: NDArray[np.int64] = column.cast("int64").to_numpy(zero_copy_only=False)
            if kind.unit == "s":
                return whole * 1000
            per = _PER_MS.get(kind.unit, 1)
            if per > 1 and (whole % per).any():
                raise Odd
            return whole // per if per > 1 else whole
        if not (types.is_floating(kind) or types.is_integer(kind)):
            raise Odd
        seconds = column.to_numpy(zero_copy_only=False).astype(numpy.float64)
        if not (numpy.abs(seconds) < 1e11).all() or (seconds < 80_000).any():
            raise Odd  # another unit, or the day numbers of a spreadsheet
        rounded: NDArray[np.int64] = numpy.rint(seconds * 1000).astype(numpy.int64)
        return rounded

    def _values(self, column: Any, points: NDArray[np.int32]) -> NDArray[np.float64]:
        numpy, types, kind = self._np, self._arrow.types, column.type
        if self._is_text(kind):
            modes = self._is_mode[points]
            if not modes.any():
                return self._numbers(column)
            values: NDArray[np.float64] = numpy.empty(len(points), numpy.float64)
            values[~modes] = self._numbers(column.filter(self._arrow.array(~modes)))
            values[modes] = self._words(column.filter(self._arrow.array(modes)))
            return values
        if not (types.is_floating(kind) or types.is_integer(kind)):
            raise Odd
        plain: NDArray[np.float64] = column.cast("float64", safe=False).to_numpy(
            zero_copy_only=False)
        if numpy.isinf(plain).any():
            raise Odd
        return plain

    def _numbers(self, column: Any) -> NDArray[np.float64]:
        values: NDArray[np.float64] = column.cast("float64").to_numpy(zero_copy_only=False)
        if int(self._np.isfinite(values).sum()) + column.null_count != len(values):
            raise Odd
        return values

    def _words(self, column: Any) -> NDArray[np.float64]:
        found = self._compute.index_in(column, value_set=self._arrow.array(MODES))
        if found.null_count == column.null_count:
            words: NDArray[np.float64] = found.cast("float64").to_numpy(zero_copy_only=False)
            return words
        mixed: NDArray[np.float64] = found.cast("float64").to_numpy(zero_copy_only=False).copy()
        rest = self._np.isnan(mixed)
        mixed[rest] = self._numbers(column.filter(self._arrow.array(rest)))
        return mixed

    def _converted(
        self, values: NDArray[np.float64], points: NDArray[np.int32], unit: Any,
    ) -> NDArray[np.float64]:
        """Return the values, each in the unit of record."""
        texts: list[str] = []

        def seen(text: str) -> int:
            if text not in texts:
                texts.append(text)
            return texts.index(text)

        units = self._looked_up(unit, seen)
        pairs = points.astype(self._np.int64) * len(texts) + units
        for pair in self._np.flatnonzero(self._np.bincount(pairs)):
            scale = self._scale(int(pair) // len(texts), texts[int(pair) % len(texts)])
            if scale is not None:
                those = pairs == pair
                values = values.copy() if not values.flags.writeable else values
                values[those] = values[those] * scale[0] + scale[1]
        return values

    def _scale(self, code: int, unit: str) -> tuple[float, float] | None:
        if (code, unit) not in self._scales:
            quantity = self._quantities[code]
            try:
                self._scales[code, unit] = (
                    None if quantity.unit == "mode" else scale_of(quantity, unit))
            except BadRow as exc:
                raise Odd from exc
        return self._scales[code, unit]


def _quality(text: str) -> int:
    found = _QUALITY_CODES.get(text)
    if found is None:
        raise Odd
    return found
