"""The site as things: each with its points, what stands at it, and since when. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from collector.domain.events import AlarmMoved, Event, Transition
from collector.domain.live import AlarmState, LiveAlarm, PointState
from collector.domain.plant import Plant, Riser, Thing, Vent
from collector.domain.readings import QUANTITIES, Quality, point_kind, split_point
from collector.web.words import age, moment, shown_value

__all__ = ["PointView", "ThingView", "thing_views"]

_QUIET = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)


@dataclass(frozen=True, slots=True, kw_only=True)
class PointView:
    """One point as a row: what, how much, how old, and how far to trust it."""

    point: str
    label: str
    value: str
    unit: str
    age: str
    quality: str
    """``good``, ``old``, ``not trusted``, ``no answer`` or ``no reading yet``."""
    why: str
    good: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ThingView:
    """One thing. ``tone`` is ``normal``, ``not-normal`` or ``unsure``; ``verdict`` says it."""

    id: str
    name: str
    sort: str
    """What it is, in a word or two; ``kind`` also says of what."""
    kind: str
    tone: str
    verdict: str
    detail: str
    points: tuple[PointView, ...]


def thing_views(
    plant: Plant, points: Mapping[str, PointState], alarms: Sequence[LiveAlarm],
    events: Sequence[Event], *, now: int, pace: float,
) -> tuple[ThingView, ...]:
    """Return every thing in the order the gas flows: generator, its risers, their vents; rooms."""
    return tuple(
        _thing(plant, thing, points, alarms, events, now=now, pace=pace)
        for thing in _as_piped(plant)
    )


def _as_piped(plant: Plant) -> Iterable[Thing]:
    shown: set[str] = set()

    def risers(fed_by: str | None) -> Iterable[Thing]:
        for riser in plant.risers.values():
            if riser.id not in shown and (fed_by is None or riser.fed_by == fed_by):
                shown.add(riser.id)
                yield riser
                yield from (v for v in plant.vents.values() if v.riser == riser.id)

    for generator in plant.generators.values():
        yield generator
        yield from risers(generator.id)
    yield from risers(None)
    yield from (v for v in plant.vents.values() if v.riser not in plant.risers)
    yield from plant.rooms.values()


def _thing(
    plant: Plant, thing: Thing, points: Mapping[str, PointState], alarms: Sequence[LiveAlarm],
    events: Sequence[Event], *, now: int, pace: float,
) -> ThingView:
    rows = tuple(
        _point(plant, thing, quantity, points.get(f"{thing.id}.{quantity}"), now=now, pace=pace)
        for quantity in _quantities(plant, thing, points)
    )
    tone, verdict, detail = _verdict(plant, thing, rows, alarms, events, now)
    kind = {Riser: "riser", Vent: "purge vent"}.get(type(thing), thing.kind)
    relation = ""
    if isinstance(thing, Riser) and thing.fed_by:
        relation = f", fed by {plant.name_of(thing.fed_by)}"
    if isinstance(thing, Vent):
        relation = f" of {plant.name_of(thing.riser)}"
    return ThingView(id=thing.id, name=thing.name, sort=kind, kind=f"{kind}{relation}", tone=tone,
                     verdict=verdict, detail=detail, points=rows)


def _quantities(plant: Plant, thing: Thing, points: Mapping[str, PointState]) -> list[str]:
    """Every quantity wired or heard of, in the order of the catalogue, legs after their contact."""
    wired = (p for device in plant.devices.values() for p in device.points)
    heard = {
        quantity for owner, quantity in map(split_point, {*wired, *points})
        if owner == thing.id and point_kind(thing.kind, quantity) is not None
    }
    order = list(QUANTITIES[thing.kind])

    def place(quantity: str) -> tuple[int, str]:
        base = quantity if quantity in order else quantity[:-3]
        return order.index(base), quantity

    return sorted(heard, key=place)


def _point(
    plant: Plant, thing: Thing, quantity: str, state: PointState | None, *, now: int, pace: float,
) -> PointView:
    kind = point_kind(thing.kind, quantity)
    assert kind is not None  # _quantities lets no other through
    point = f"{thing.id}.{quantity}"
    if state is None:
        return PointView(point=point, label=kind.label, value="–", unit="", age="", why="",
                         quality="no reading yet", good=False)
    # What was last trusted is shown with its own age: a bad value must not pass for a new one.
    shown = state.last_good or state.last
    quality = {Quality.BAD: "not trusted", Quality.STALE: "no answer"}.get(
        state.last.quality, "good")
    source = plant.source_of(point)
    if quality == "good" and source is not None \
            and now - shown.time > 3 * source.every + round(5000 * pace):
        quality = "old"
    value, unit = ("–", "") if state.last_good is None or state.last_good.value is None \
        else shown_value(state.last_good.value, quantity, kind, plant.site.units)
    return PointView(point=point, label=kind.label, value=value, unit=unit,
                     age=age(now - shown.time), quality=quality, why=state.last.why,
                     good=quality == "good")


def _concerns(plant: Plant, thing: Thing, asset: str) -> bool:
    """Whether an asset is the thing, one of its contacts, or a device that gives its points."""
    if asset == thing.id or asset.startswith(f"{thing.id}."):
        return True
    device = plant.devices.get(asset)
    return device is not None and any(split_point(p)[0] == thing.id for p in device.points)


def _verdict(
    plant: Plant, thing: Thing, rows: Sequence[PointView], alarms: Sequence[LiveAlarm],
    events: Sequence[Event], now: int,
) -> tuple[str, str, str]:
    zone = ZoneInfo(plant.site.timezone)
    mine = [a for a in alarms if _concerns(plant, thing, a.asset)]
    standing = [a for a in mine if a.present and a.state not in _QUIET]
    quiet = "; an alarm is quieted on purpose" if any(a.state in _QUIET for a in mine) else ""
    if standing:
        since = min(a.since for a in standing)
        return "not-normal", "not normal", f"since {moment(since, zone, now)}{quiet}"
    if not rows:
        return "unsure", "nothing wired", ""
    silent = sum(not row.good for row in rows)
    if silent:
        what = "nothing" if silent == len(rows) else f"{len(rows) - silent} of {len(rows)} points"
        return "unsure", "cannot say", f"with {what} to go by{quiet}"
    ends = [e.time for e in events if isinstance(e, AlarmMoved)
            and e.transition is Transition.RETURNED and _concerns(plant, thing, e.asset)]
    since_text = f"since {moment(max(ends), zone, now)}" if ends else ""
    return "normal", "normal", f"{since_text}{quiet}".removeprefix("; ")
