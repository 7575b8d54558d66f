"""Axes of plots: values in the site's units with round ticks, time by the site's clock.

Ticks of the time axis follow the wall clock: a day with a change of
clocks has 23 or 25 hours and starts at local midnight all the same, a month on its first day.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from collector.domain.readings import Quantity, TrendStep
from collector.domain.units import DAY, HOUR, MINUTE, SECOND, scale_of
from collector.plots.shapes import Line, Shape, Text


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """A value axis: it shows ``value * scale + shift`` in ``unit``."""

    unit: str = ""
    scale: float = 1.0
    shift: float = 0.0
    label: str = ""
    digits: int = 1
    """Of a single value in words, as on a limit's label; ticks have as many as they need."""

    def shown(self, value: float) -> float:
        """Return a value (unit of record) as this axis shows it."""
        return value * self.scale + self.shift

    def words(self, value: float) -> str:
        """Write a value (unit of record) with its unit, without needless zeros."""
        text = f"{self.shown(value):.{self.digits}f}"
        text = text.rstrip("0").rstrip(".") if "." in text else text
        return f"{text.replace('-', '−')} {self.unit}".rstrip()


def axis_of(quantity: Quantity, units: str, label: str = "") -> Axis:
    """Return the axis of a quantity at a site that reads ``us`` or ``metric``."""
    scale = scale_of(quantity.unit, units)
    return Axis(unit=scale.unit, scale=scale.factor, shift=scale.shift, digits=scale.digits,
                label=label or quantity.label)


def round_step(span: float, at_most: int) -> float:
    """Return the least of 1, 2, 5 × 10^n that divides ``span`` into at most ``at_most`` parts.

    >>> round_step(20.0, 5), round_step(0.9, 5)
    (5.0, 0.2)
    """
    least = span / at_most
    power = 10.0 ** math.floor(math.log10(least))
    for factor in (1, 2, 5):
        if factor * power >= least * (1 - 1e-9):
            return float(f"{factor * power:.12g}")
    return float(f"{10 * power:.12g}")


def value_ticks(low: float, high: float, at_most: int = 5) -> tuple[float, ...]:
    """Return round ticks whose first is at or below ``low`` and whose last at or above ``high``.

    A range of no width is widened around its value.
    """
    if high - low < 1e-9 * max(abs(low), abs(high), 1e-3):
        pad = max(abs(low) * 0.05, 0.5)
        low, high = low - pad, high + pad
    step = round_step(high - low, at_most)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return tuple(float(f"{i * step:.12g}") for i in range(first, last + 1))


_STEPS = (
    SECOND, 5 * SECOND, 10 * SECOND, 30 * SECOND, MINUTE, 2 * MINUTE, 5 * MINUTE,
    10 * MINUTE, 15 * MINUTE, 30 * MINUTE, HOUR, 2 * HOUR, 3 * HOUR, 6 * HOUR, 12 * HOUR,
    DAY, 2 * DAY, 7 * DAY,
)


def step_for(start: int, end: int, points: int = 400) -> int:
    """Return the step (ms) to ask of a trend so that a plot of it has at most ``points`` steps.

    Over two weeks these are whole hours, which the journal keeps ready.
    """
    return next((s for s in _STEPS if (end - start) <= s * points), _STEPS[-1])


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeTick:
    """One mark of the time axis. ``under`` is the wider date, where it begins or changes."""

    time: int
    text: str
    under: str = ""


def time_ticks(start: int, end: int, zone: ZoneInfo, at_most: int = 8) -> tuple[TimeTick, ...]:
    """Return the ticks from ``start`` to ``end`` (ms) by the clock of ``zone``."""
    found: list[TimeTick] = []
    before = ""
    for time, text, under in _marks(start, end, zone, max(at_most, 2)):
        found.append(TimeTick(time=time, text=text, under=under if under != before else ""))
        before = under
    return tuple(found)


_Mark = tuple[int, str, str]


def _marks(start: int, end: int, zone: ZoneInfo, at_most: int) -> Iterator[_Mark]:
    span = max(end - start, 1)
    for step in (SECOND, 5 * SECOND, 15 * SECOND, 30 * SECOND, MINUTE, 2 * MINUTE,
                 5 * MINUTE, 10 * MINUTE, 15 * MINUTE, 30 * MINUTE):
        if span <= step * at_most:
            yield from _even(start, end, zone, step)
            return
    for hours in (1, 2, 3, 6, 12):
        if span <= hours * HOUR * at_most:
            yield from _hours(start, end, zone, hours)
            return
    for days in (1, 2, 7, 14):
        if span <= days * DAY * at_most:
            yield from _days(start, end, zone, days)
            return
    months = next((m for m in (1, 2, 3, 6, 12) if span <= m * 30.5 * DAY * at_most), 24)
    yield from _months(start, end, zone, months)


def _ms(local: datetime) -> int:
    return int(local.timestamp()) * 1000


def _day_words(local: datetime) -> str:
    return f"{local:%a} {local.day} {local:%b %Y}"


def _even(start: int, end: int, zone: ZoneInfo, step: int) -> Iterator[_Mark]:
    """Step through less than an hour: even in real time, and so right across a change of clocks."""
    form = "%H:%M:%S" if step < MINUTE else "%H:%M"
    for time in range(-(-start // step) * step, end + 1, step):
        local = datetime.fromtimestamp(time // 1000, zone)
        yield time, local.strftime(form), _day_words(local)


def _midnights(start: int, end: int, zone: ZoneInfo) -> Iterator[datetime]:
    day = datetime.fromtimestamp(start // 1000, zone).replace(tzinfo=None)
    day = day.replace(hour=0, minute=0, second=0, microsecond=0)
    while _ms(day.replace(tzinfo=zone)) <= end:
        yield day
        day += timedelta(days=1)


def _hours(start: int, end: int, zone: ZoneInfo, hours: int) -> Iterator[_Mark]:
    for day in _midnights(start, end, zone):
        for hour in range(0, 24, hours):
            local = day.replace(hour=hour, tzinfo=zone)
            time = _ms(local)
            # An hour that the clocks skip does not come back as itself.
            if start <= time <= end and \
                    datetime.fromtimestamp(time // 1000, zone).hour == hour:
                yield time, f"{local:%H:%M}", _day_words(local)


def _days(start: int, end: int, zone: ZoneInfo, days: int) -> Iterator[_Mark]:
    for day in _midnights(start, end, zone):
        local = day.replace(tzinfo=zone)
        # Weeks start on Mondays; other steps count the days of the common era.
        if (day.toordinal() - (1 if days % 7 == 0 else 0)) % days == 0 and _ms(local) >= start:
            yield _ms(local), f"{local.day} {local:%b}", f"{local.year}"


def _months(start: int, end: int, zone: ZoneInfo, months: int) -> Iterator[_Mark]:
    first = datetime.fromtimestamp(start // 1000, zone)
    count = first.year * 12 + first.month - 1
    count -= count % months
    while True:
        local = datetime(count // 12, count % 12 + 1, 1, tzinfo=zone)
        if _ms(local) > end:
            return
        if _ms(local) >= start:
            text = f"{local:%b}" if months < 12 else f"{local.year}"
            yield _ms(local), text, f"{local.year}" if months < 12 else ""
        count += months


MARGIN = 20
"""Right of the frame: half the width of a tick's words at its end."""


def width_of(text: str, size: float = 12.0, *, bold: bool = False) -> float:
    """Return the approximate width of words, a little more than most fonts need."""
    return len(text) * size * (0.6 if bold else 0.56)


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """The inner rectangle of a plot and what its edges mean (``low``, ``high`` as shown)."""

    left: float
    top: float
    right: float
    bottom: float
    start: int
    end: int
    low: float = 0.0
    high: float = 1.0

    def x(self, time: int) -> float:
        """Return the x of an instant, within the frame."""
        share = (time - self.start) / max(self.end - self.start, 1)
        return self.left + min(max(share, 0.0), 1.0) * (self.right - self.left)

    def y(self, shown: float) -> float:
        """Return the y of a value as the axis shows it, within the frame."""
        share = (shown - self.low) / (self.high - self.low)
        return self.bottom - min(max(share, 0.0), 1.0) * (self.bottom - self.top)


def time_axis(frame: Frame, zone: ZoneInfo) -> Iterator[Shape]:
    """Draw the time axis under the frame: ticks, their words, the wider date below them."""
    at_most = max(int((frame.right - frame.left) // 68), 2)
    ticks = time_ticks(frame.start, frame.end, zone, at_most)
    marks = [frame.x(tick.time) for tick in ticks]
    yield Line(style="plot-grid", runs=[((x, frame.top), (x, frame.bottom)) for x in marks])
    yield Line(style="plot-frame", runs=[
        ((frame.left, frame.bottom), (frame.right, frame.bottom)),
        *(((x, frame.bottom), (x, frame.bottom + 4)) for x in marks),
    ])
    free = 0.0
    for tick, x in zip(ticks, marks, strict=True):
        yield Text(style="plot-axis", x=x, y=frame.bottom + 17, text=tick.text, anchor="middle")
        half = width_of(tick.under) / 2
        x = min(max(x, half + 2), frame.right + MARGIN - half)
        if tick.under and x - half >= free:
            yield Text(style="plot-axis", x=x, y=frame.bottom + 32, text=tick.under,
                       anchor="middle")
            free = x + half + 6


def tick_words(ticks: Sequence[float]) -> list[str]:
    """Write ticks with as many decimals as their step needs."""
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    digits = next((d for d in range(6) if abs(round(step, d) - step) < step * 1e-6), 6)
    return [f"{tick:.{digits}f}".replace("-", "−") for tick in ticks]


def value_axis(frame: Frame, ticks: Sequence[float], axis: Axis) -> Iterator[Shape]:
    """Draw the value axis left of the frame, its unit above it."""
    yield Line(style="plot-grid", runs=[
        ((frame.left, frame.y(tick)), (frame.right, frame.y(tick))) for tick in ticks
    ])
    for tick, words in zip(ticks, tick_words(ticks), strict=True):
        yield Text(style="plot-axis", x=frame.left - 7, y=frame.y(tick) + 4, text=words,
                   anchor="end")
    if axis.unit:
        yield Text(style="plot-unit", x=frame.left - 7, y=frame.top - 10, text=axis.unit,
                   anchor="end")


class SpanKind(StrEnum):
    """The kind of a marked time span; each has a shape of its own."""

    ALARM = "alarm"
    SUPPRESSED = "suppressed"
    """Suppressed on purpose: shelved, a declared fill, out of service."""
    SILENT = "silent"
    """Without data."""


class BarKind(StrEnum):
    """The kind of a bar; each has a look of its own."""

    RUN = "run"
    ALARM = "alarm"
    MUTED = "muted"
    UNKNOWN = "unknown"
    """No readings: neither on nor off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """Trend steps: a band from least to most, a line through the means, gaps left open."""

    label: str
    steps: Sequence[TrendStep]


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Single values; ``None`` opens a gap. ``expected`` marks a prediction."""

    label: str
    points: Sequence[tuple[int, float | None]]
    expected: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """A limit: a line across the plot with its name and value."""

    value: float
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A marked time span with a word; ``end`` is ``None`` while it lasts."""

    start: int
    end: int | None
    word: str
    kind: SpanKind = SpanKind.ALARM


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """Series over time. The axis includes ``floor`` and ``ceiling``.

    ``key`` keeps the ids of several plots on one page apart. Readings can go as far as ``known``
    (``end`` unless given): the time after it is the future, not a gap.
    """

    title: str
    start: int
    end: int
    zone: str
    axis: Axis
    description: str = ""
    series: Sequence[Band | Curve] = ()
    levels: Sequence[Level] = ()
    spans: Sequence[Span] = ()
    floor: float | None = None
    ceiling: float | None = None
    known: int | None = None
    width: int = 720
    height: int = 240
    key: str = "plot"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One bar of a strip."""

    start: int
    end: int
    word: str = ""
    kind: BarKind = BarKind.RUN


@dataclass(frozen=True, slots=True, kw_only=True)
class Bars:
    """Strips over time, one to a row: runs of a compressor, hours with data."""

    title: str
    start: int
    end: int
    zone: str
    rows: Sequence[tuple[str, Sequence[Bar]]]
    description: str = ""
    width: int = 720
    key: str = "bars"
