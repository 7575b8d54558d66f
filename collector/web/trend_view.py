"""Trends of a thing as drawings: bands with gaps, limits, and the alarms marked on them. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

from markupsafe import Markup

from collector.domain.events import AlarmMoved, Transition
from collector.domain.live import LiveAlarm
from collector.domain.plant import Generator, Plant, Riser, Room, Thing, Vent
from collector.domain.readings import Quantity, point_kind, split_point
from collector.domain.trends import TrendStep
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
)
from collector.web.board_lists import title_of
from collector.web.words import moment

__all__ = [
    "DRAWN", "Occurred", "TrendView", "drawn", "limits_of", "marks", "occurred", "strips",
    "trend_plot",
]

DRAWN = 400
"""Width of a drawing: a phone shows it whole, axis and words and all, a little smaller."""
_ROOM_OXYGEN = 19.5  # %, 29 CFR 1910.134
_FROST = 4.0  # degC, NFPA 13: a valve room is kept at 40 F or more
_ABOUT = {
    "pressure": ("pressure-", "leak-"), "valve_room_temperature": ("low-temperature",),
    "oxygen": ("oxygen-", "room-oxygen", "purge-", "vent-stuck"),
    "product_oxygen": ("product-oxygen", "air-in-nitrogen"),
    "tank_pressure": ("compressor-", "air-fill", "tank-leak"),
}
"""Which conditions are told by which quantity: the others would only clutter its plot."""
_ENDING = (Transition.RETURNED, Transition.SHELVED, Transition.SUPPRESSED,
           Transition.OUT_OF_SERVICE)
_BLIND = ("device-silent", "data-frozen")


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurred:
    """An alarm from its raising to its end (ms), ``None`` while it stands."""

    condition: str
    asset: str
    start: int
    end: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendView:
    """One trend: what it is of, its drawing, and the same in words."""

    point: str
    label: str
    words: str
    svg: Markup


def occurred(events: Sequence[AlarmMoved], live: Iterable[LiveAlarm]) -> list[Occurred]:
    """Fold transitions into stretches; those that stand, from the live alarms."""
    done: list[Occurred] = []
    standing: dict[tuple[str, str], Occurred] = {}
    for event in events:
        key = (event.condition, event.asset)
        if event.transition is Transition.RAISED:
            standing[key] = Occurred(condition=event.condition, asset=event.asset,
                                     start=event.since, end=None)
        elif event.transition in _ENDING and key in standing:
            done.append(replace(standing.pop(key), end=event.time))
    for alarm in live:
        if alarm.present:  # raised before the events that were read, perhaps
            standing.setdefault((alarm.condition, alarm.asset), Occurred(
                condition=alarm.condition, asset=alarm.asset, start=alarm.since, end=None))
    return sorted([*done, *standing.values()], key=lambda o: o.start)


def limits_of(thing: Thing, quantity: str) -> tuple[Level, ...]:
    """Return the limits of a quantity as the site file has them, and the few fixed ones."""
    pairs: tuple[tuple[float | None, str], ...] = ()
    match thing, quantity:
        case Generator(), "tank_pressure":
            pairs = ((thing.cut_out, "cut-out"), (thing.cut_in, "cut-in"),
                     (thing.air_fill_below, "air-fill below"))
        case Generator(), "product_oxygen":
            pairs = ((thing.product_oxygen_limit, "limit"),)
        case Riser(), "pressure":
            pairs = ((thing.high_pressure, "high"), (thing.low_pressure, "low"))
        case Riser(), "valve_room_temperature":
            pairs = ((_FROST, "frost limit"),)
        case Vent(), "oxygen":
            pairs = ((thing.target_oxygen, "target"),)
        case Room(), "oxygen":
            pairs = ((_ROOM_OXYGEN, "limit for people"),)
    return tuple(Level(value=value, label=label) for value, label in pairs if value is not None)


def marks(
    quantity: str, happened: Iterable[Occurred], start: int, end: int,
) -> tuple[Span, ...]:
    """Return the alarms that a quantity tells of, within ``start`` to ``end``."""
    begin = _ABOUT.get(quantity, ())
    return tuple(
        Span(start=o.start, end=o.end, word=title_of(o.condition),
             kind=SpanKind.SILENT if o.condition in _BLIND else SpanKind.ALARM)
        for o in happened
        if (o.condition in _BLIND or o.condition.startswith(begin or ("~",)))
        and o.start < end and (o.end is None or o.end > start)
    )


def trend_plot(
    plant: Plant, point: str, steps: Sequence[TrendStep], happened: Sequence[Occurred],
    *, start: int, end: int, now: int, height: int = 210,
) -> TrendView:
    """Draw one point of this plant over ``start`` to ``end`` (ms)."""
    thing_id, quantity = split_point(point)
    thing = plant.thing(thing_id)
    assert thing is not None  # the caller asks only for points of the plant
    kind = point_kind(thing.kind, quantity)
    assert kind is not None
    axis, zone = axis_of(kind, plant.site.units), ZoneInfo(plant.site.timezone)
    words = _in_words(steps, axis, zone, now)
    figure = Plot(
        title=f"{kind.label[:1].upper()}{kind.label[1:]}, {thing.name}", description=words,
        start=start, end=end, known=min(end, now), zone=plant.site.timezone, axis=axis,
        series=(Band(label=kind.label, steps=steps),), levels=limits_of(thing, quantity),
        spans=marks(quantity, happened, start, end), height=height, width=DRAWN,
        key=point.replace(".", "-"),
    )
    return TrendView(point=point, label=kind.label, words=words, svg=drawn(figure))


def drawn(figure: Plot | Bars) -> Markup:
    """Return the drawing as the page takes it in; every word in it is escaped by what draws it."""
    return Markup(draw(figure))  # noqa: S704


def _in_words(steps: Sequence[TrendStep], axis: Axis, zone: ZoneInfo, now: int) -> str:
    good = [s for s in steps if s.count]
    if not good:
        return "No good reading in this stretch."
    low = min(good, key=lambda s: s.low or 0.0)
    high = max(good, key=lambda s: s.high or 0.0)
    last = good[-1]
    assert low.low is not None
    assert high.high is not None
    assert last.mean is not None
    gaps = sum(1 for before, step in zip([None, *steps], steps, strict=False)
               if not step.count and (before is None or before.count))
    said = (f"Lowest {axis.words(low.low)} ({moment(low.start, zone, now)}), highest "
            f"{axis.words(high.high)} ({moment(high.start, zone, now)}), last "
            f"{axis.words(last.mean)}.")
    return said if not gaps else f"{said} {gaps} gap{'s' if gaps > 1 else ''} without readings."


def strips(
    plant: Plant, thing: Thing, trends: Mapping[str, Sequence[TrendStep]], *, start: int, end: int,
) -> Markup | None:
    """Draw the contacts and the mode of a thing as strips, one to a row; none without any."""
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
    """Join steps in which it was on at any time."""
    # What a leg reads means nothing by itself.
    kind = BarKind.QUIET if quantity.endswith(("_no", "_nc")) else \
        BarKind.RUN if quantity in ("compressor_running", "open", "power") else BarKind.LOUD
    found: list[Bar] = []
    for step in steps:
        if not step.count or step.high is None or step.high < on:
            continue
        if found and found[-1].end == step.start:
            found[-1] = replace(found[-1], end=step.end)
        else:
            found.append(Bar(start=step.start, end=step.end, kind=kind))
    return found
