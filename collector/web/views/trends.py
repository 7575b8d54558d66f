"""Trends of an asset as plots: the time range shown, limits, gaps, and the alarms in it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from markupsafe import Markup

from collector.domain.conditions import CATALOGUE, ConditionSettings, limit_of
from collector.domain.events import AlarmTransition, Transition
from collector.domain.live import LiveAlarm
from collector.domain.plant import Generator, Plant, Thing
from collector.domain.readings import Quantity, TrendStep, point_kind, split_point
from collector.domain.units import DAY, HOUR, MINUTE, scale_of, with_capital
from collector.plots import (
    Axis,
    Band,
    Bar,
    BarKind,
    Bars,
    Level,
    Plot,
    Span,
    SpanKind,
    axis_of,
    draw,
    step_for,
    stretches,
)
from collector.web.access import HttpError
from collector.web.api import read_instant
from collector.web.views import moment, title_of

_SPANS = {
    "6h": ("6 hours", 6 * HOUR), "1d": ("1 day", DAY), "1w": ("1 week", 7 * DAY),
    "1m": ("30 days", 30 * DAY), "3m": ("90 days", 90 * DAY), "1y": ("1 year", 366 * DAY),
    "5y": ("5 years", 5 * 366 * DAY),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A link to another span; ``current`` is the one that is shown."""

    words: str
    query: str
    current: bool


_LONG = 2 * DAY
"""ms above which a trend has steps of whole hours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeView:
    """The time range shown (ms), in words, and the links to others; ``now`` where it ends now."""

    start: int
    end: int
    now: bool
    words: str
    here: str
    """The query of this range."""
    first: str
    last: str
    """Its ends by the site's clock, as the fields of a form have them."""
    choices: tuple[Choice, ...]
    earlier: str
    later: str
    """Empty where the range ends now."""

    def step(self, points: int = 400) -> int:
        """Return the step (ms) of a trend for a plot of about ``points`` points."""
        step = step_for(self.start, self.end, points)
        return max(step, HOUR) if self.end - self.start > _LONG else step


def read_range(
    query: Mapping[str, str], now: int, zone: ZoneInfo, *, default: str = "1d",
) -> RangeView:
    """Read ``span`` and ``to``, or ``from`` and ``to``.

    Raises ``HttpError`` (400) when one is not a time, or the range is none.
    """
    if query.get("from"):
        return _own_range(query, now, zone, default)
    return _named_range(query, now, zone, default)


def _instant(name: str, text: str, zone: ZoneInfo) -> int:
    """Read an instant, or a time by the site's clock as the field of a form sends it."""
    try:
        local = datetime.fromisoformat(text)
    except ValueError:
        return read_instant(name, text)
    return read_instant(name, text) if local.tzinfo is not None \
        else round(local.replace(tzinfo=zone).timestamp() * 1000)


def _own_range(
    query: Mapping[str, str], now: int, zone: ZoneInfo, default: str,
) -> RangeView:
    start = _instant("from", query["from"], zone)
    end = min(_instant("to", query["to"], zone), now) if query.get("to") else now
    if end - start < MINUTE:
        raise HttpError(400, "The range must begin a minute before its end at least.")
    length = end - start

    def link(first: int) -> str:
        return "?" + urlencode({"from": first // 1000, "to": (first + length) // 1000})

    base = _named_range({"to": str(end // 1000)}, now, zone, default)
    return replace(
        base, start=start, end=end, now=end == now, here=link(start),
        words=f"{moment(start, zone, now)} to {moment(end, zone, now)}",
        choices=tuple(replace(c, current=False) for c in base.choices),
        first=_field(start, zone), last=_field(end, zone), earlier=link(start - length),
        later="" if end == now else link(min(start + length, now - length)),
    )


def _field(instant: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(instant // 1000, zone):%Y-%m-%dT%H:%M}"


def _named_range(
    query: Mapping[str, str], now: int, zone: ZoneInfo, default: str,
) -> RangeView:
    key = query.get("span", default)
    key = key if key in _SPANS else default
    length = _SPANS[key][1]
    end = min(read_instant("to", query["to"]), now) if query.get("to") else now
    start = end - length
    if length > _LONG:
        # On the hour: packed hours of the journal then fit the steps and need no unpacking.
        start = start // HOUR * HOUR

    def link(span: str, to: int | None) -> str:
        return "?" + urlencode({"span": span} | ({"to": to // 1000} if to is not None else {}))

    kept = None if end == now else end
    return RangeView(
        start=start, end=end, now=end == now,
        words=f"{moment(start, zone, now)} to {'now' if end == now else moment(end, zone, now)}",
        here=link(key, kept), first=_field(start, zone), last=_field(end, zone),
        choices=tuple(Choice(words=words, query=link(span, kept), current=span == key)
                      for span, (words, _) in _SPANS.items()),
        earlier=link(key, start),
        later="" if end == now else link(key, end + length if end + length < now else None),
    )


DRAWN = 400
"""Width of a plot: a phone shows it whole, scaled down a little."""
_ENDING = (Transition.RETURNED, Transition.SHELVED, Transition.SUPPRESSED,
           Transition.OUT_OF_SERVICE)
_BLIND = ("device-silent", "data-frozen")


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurrence:
    """An alarm from its start to its end (ms); ``end`` is ``None`` while it is active."""

    condition: str
    asset: str
    start: int
    end: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendView:
    """One trend: its point, its plot, and its extremes in words."""

    point: str
    label: str
    words: str
    svg: Markup
    unit: str
    factor: float
    shift: float
    digits: int
    wide: Markup | None = None
    """The same on a desk, over the whole width of its page."""


def occurrences(events: Sequence[AlarmTransition], live: Iterable[LiveAlarm]) -> list[Occurrence]:
    """Join transitions into alarms with start and end; active ones come from the live alarms."""
    done: list[Occurrence] = []
    active: dict[tuple[str, str], Occurrence] = {}
    for event in events:
        key = (event.condition, event.asset)
        if event.transition is Transition.RAISED:
            active[key] = Occurrence(condition=event.condition, asset=event.asset,
                                     start=event.since, end=None)
        elif event.transition in _ENDING and key in active:
            done.append(replace(active.pop(key), end=event.time))
    for alarm in live:
        if alarm.present:  # raised before the events that were read, perhaps
            active.setdefault((alarm.condition, alarm.asset), Occurrence(
                condition=alarm.condition, asset=alarm.asset, start=alarm.since, end=None))
    return sorted([*done, *active.values()], key=lambda o: o.start)


_LIMITS: Mapping[tuple[str, str], Sequence[tuple[str, str]]] = {
    ("generator", "product_oxygen"): (("product-oxygen-high", "limit"),),
    ("riser", "pressure"): (("pressure-high", "high"), ("pressure-low", "low")),
    ("riser", "valve_room_temperature"): (("low-temperature", "low limit"),),
    ("vent", "oxygen"): (("oxygen-not-falling", "target"),),
    ("room", "oxygen"): (("room-oxygen-low", "limit for people"),),
}
"""Conditions whose limits are drawn on the plot of a quantity, with their labels."""


def limits_of(
    plant: Plant, settings: ConditionSettings, thing: Thing, quantity: str,
) -> tuple[Level, ...]:
    """Return the limits drawn on a plot: those of the alarms, and the tank's set points."""
    pairs = [(limit_of(condition, thing.id, plant, settings), label)
             for condition, label in _LIMITS.get((thing.kind, quantity), ())]
    if isinstance(thing, Generator) and quantity == "tank_pressure":
        pairs = [(thing.cut_out, "cut-out"), (thing.cut_in, "cut-in"),
                 (thing.air_fill_below, "air-fill below")]
    return tuple(Level(value=value, label=label) for value, label in pairs if value is not None)


def marks(
    quantity: str, alarms: Iterable[Occurrence], start: int, end: int,
) -> tuple[Span, ...]:
    """Return the alarms to mark on the plot of a quantity from ``start`` to ``end``."""
    marked = {c.id for c in CATALOGUE.values() if c.plot == quantity}
    return tuple(
        Span(start=o.start, end=o.end, word=title_of(o.condition),
             kind=SpanKind.SILENT if o.condition in _BLIND else SpanKind.ALARM)
        for o in alarms
        if o.condition in {*_BLIND, *marked}
        and o.start < end and (o.end is None or o.end > start)
    )


def trend_plot(
    plant: Plant, settings: ConditionSettings, point: str, steps: Sequence[TrendStep],
    alarms: Sequence[Occurrence], *, start: int, end: int, now: int, height: int = 210,
    beside: Sequence[Band] = (), wide: int = 0,
) -> TrendView:
    """Return the plot of one point from ``start`` to ``end`` (ms).

    ``beside`` are further series in the same unit; ``wide`` is the width of a second drawing.
    """
    thing_id, quantity = split_point(point)
    thing = plant.thing(thing_id)
    assert thing is not None  # the caller asks only for points of the plant
    kind = point_kind(thing.kind, quantity)
    assert kind is not None
    axis, zone = axis_of(kind, plant.site.units), ZoneInfo(plant.site.timezone)
    words = _in_words(steps, axis, zone, now)
    figure = Plot(
        title=f"{with_capital(kind.label)}, {thing.name}", description=words,
        start=start, end=end, known=min(end, now), zone=plant.site.timezone, axis=axis,
        series=(Band(label=kind.label, steps=steps), *beside),
        levels=limits_of(plant, settings, thing, quantity),
        spans=marks(quantity, alarms, start, end), height=height, width=DRAWN,
        key=point.replace(".", "-"),
    )
    scale = scale_of(kind.unit, plant.site.units)
    return TrendView(
        point=point, label=kind.label, words=words, svg=drawn(figure), unit=scale.unit,
        factor=scale.factor, shift=scale.shift, digits=scale.digits,
        wide=drawn(replace(figure, width=wide, height=height + 40, key=f"{figure.key}-wide"))
        if wide else None)


def drawn(figure: Plot | Bars) -> Markup:
    """Return the plot as markup for a page; the plots escape every word."""
    return Markup(draw(figure))  # noqa: S704


def _in_words(steps: Sequence[TrendStep], axis: Axis, zone: ZoneInfo, now: int) -> str:
    good = [s for s in steps if s.count]
    if not good:
        return "No valid data in this time range."
    low = min(good, key=lambda s: s.low or 0.0)
    high = max(good, key=lambda s: s.high or 0.0)
    last = good[-1]
    assert low.low is not None
    assert high.high is not None
    assert last.mean is not None
    gaps = sum(1 for before, step in zip([None, *steps], steps, strict=False)
               if not step.count and (before is None or before.count))
    words = (f"Lowest {axis.words(low.low)} ({moment(low.start, zone, now)}), highest "
            f"{axis.words(high.high)} ({moment(high.start, zone, now)}), last "
            f"{axis.words(last.mean)}.")
    return words if not gaps else f"{words} {gaps} gap{'s' if gaps > 1 else ''} without readings."


def strips(
    plant: Plant, thing: Thing, trends: Mapping[str, Sequence[TrendStep]], *, start: int, end: int,
) -> Markup | None:
    """Return contacts and mode of an asset as strips, one to a row; ``None`` without any."""
    rows = []
    for point, steps in trends.items():
        quantity = split_point(point)[1]
        kind = point_kind(thing.kind, quantity)
        if kind is not None and steps:
            rows.append((_row_label(quantity, kind), _bars(steps, 2 if kind.unit == "mode" else 1,
                                                           quantity)))
    if not rows:
        return None
    return drawn(Bars(title=f"Contacts of {thing.name}", start=start, end=end, rows=rows,
                      zone=plant.site.timezone, key=f"{thing.id}-contacts", width=DRAWN))


def _row_label(quantity: str, kind: Quantity) -> str:
    return "in air-fill" if kind.unit == "mode" else kind.label


def _bars(steps: Sequence[TrendStep], on: int, quantity: str) -> list[Bar]:
    """Join neighbouring steps in which the contact was on at any time."""
    # The state of one leg alone means nothing.
    kind = BarKind.MUTED if quantity.endswith(("_no", "_nc")) else \
        BarKind.RUN if quantity in ("compressor_running", "open", "power") else BarKind.ALARM
    # No readings are neither on nor off: shown as a strip of their own.
    full = stretches(steps)
    ends = [steps[0].start, *(t for run in full for t in (run[0].start, run[-1].end)),
            steps[-1].end]
    found: list[Bar] = [Bar(start=a, end=b, kind=BarKind.UNKNOWN)
                        for a, b in zip(ends[::2], ends[1::2], strict=True) if b > a]
    for step in steps:
        if not step.count or step.high is None or step.high < on:
            continue
        if found and found[-1].end == step.start and found[-1].kind is kind:
            found[-1] = replace(found[-1], end=step.end)
        else:
            found.append(Bar(start=step.start, end=step.end, kind=kind))
    return found
