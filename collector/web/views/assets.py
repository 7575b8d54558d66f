"""The assets of a site: points, alarms, state, and their piping."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from collector.domain.events import AlarmTransition, Event, Transition
from collector.domain.live import AlarmState, LiveAlarm, PointState
from collector.domain.plant import Generator, Plant, Riser, Thing, Vent
from collector.domain.readings import QUANTITIES, Quality, point_kind, split_point
from collector.domain.units import duration_text
from collector.web.views import moment, shown_value
from collector.web.views.windows import DeclarationView

STATE_LABELS = {"compressor_running": "compressor", "open": "vent"}
"""Labels that read as one with the state beside them: compressor running, vent closed."""
_SUPPRESSED = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)


@dataclass(frozen=True, slots=True, kw_only=True)
class PointView:
    """One point as a row: label, value, age and quality."""

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
class AssetView:
    """One asset. ``tone`` is the mark for ``state``, as that of a headline."""

    id: str
    name: str
    sort: str
    """Its kind in a word or two; ``kind`` also names the asset it belongs to."""
    kind: str
    tone: str
    state: str
    detail: str
    points: tuple[PointView, ...]


def asset_views(
    plant: Plant, points: Mapping[str, PointState], alarms: Sequence[LiveAlarm],
    events: Sequence[Event], declared: Sequence[DeclarationView] = (), *, now: int, pace: float,
) -> tuple[AssetView, ...]:
    """Return every asset in the order of the gas flow: generator, risers, vents; then rooms."""
    return tuple(
        _thing(plant, thing, points, alarms, events, declared, now=now, pace=pace)
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
    events: Sequence[Event], declared: Sequence[DeclarationView], *, now: int, pace: float,
) -> AssetView:
    rows = tuple(
        _point(plant, thing, quantity, points.get(f"{thing.id}.{quantity}"), now=now, pace=pace)
        for quantity in _quantities(plant, thing, points)
    )
    tone, state_words, detail = _state(plant, thing, rows, alarms, events, declared, now)
    kind = {Riser: "riser", Vent: "purge vent"}.get(type(thing), thing.kind)
    relation = ""
    if isinstance(thing, Riser) and thing.fed_by:
        relation = f", fed by {plant.name_of(thing.fed_by)}"
    if isinstance(thing, Vent):
        relation = f" of {plant.name_of(thing.riser)}"
    return AssetView(id=thing.id, name=thing.name, sort=kind, kind=f"{kind}{relation}", tone=tone,
                     state=state_words, detail=detail, points=rows)


def _quantities(plant: Plant, thing: Thing, points: Mapping[str, PointState]) -> list[str]:
    """Return the quantities configured or read, in catalogue order, legs after their contact."""
    configured = (p for device in plant.devices.values() for p in device.points)
    known = {
        quantity for owner, quantity in map(split_point, {*configured, *points})
        if owner == thing.id and point_kind(thing.kind, quantity) is not None
    }
    order = list(QUANTITIES[thing.kind])

    def place(quantity: str) -> tuple[int, str]:
        base = quantity if quantity in order else quantity[:-3]
        return order.index(base), quantity

    return sorted(known, key=place)


def _point(
    plant: Plant, thing: Thing, quantity: str, state: PointState | None, *, now: int, pace: float,
) -> PointView:
    kind = point_kind(thing.kind, quantity)
    assert kind is not None  # _quantities lets no other through
    point = f"{thing.id}.{quantity}"
    label = STATE_LABELS.get(quantity, kind.label)
    if state is None:
        return PointView(point=point, label=label, value="–", unit="", age="", why="",
                         quality="no reading yet", good=False)
    # The last good value is shown with its own age: a bad value must not pass for a new one.
    shown = state.last_good or state.last
    quality = {Quality.BAD: "not trusted", Quality.STALE: "no answer"}.get(
        state.last.quality, "good")
    source = plant.source_of(point)
    if quality == "good" and source is not None \
            and now - shown.time > 3 * source.every + round(5000 * pace):
        quality = "old"
    value, unit = ("–", "") if state.last_good is None or state.last_good.value is None \
        else shown_value(state.last_good.value, quantity, kind, plant.site.units)
    return PointView(point=point, label=label, value=value, unit=unit,
                     age=duration_text(now - shown.time), quality=quality, why=state.last.why,
                     good=quality == "good")


def _concerns(plant: Plant, thing: Thing, asset: str) -> bool:
    """Whether ``asset`` is ``thing``, one of its contacts, or a device that reads its points."""
    if asset == thing.id or asset.startswith(f"{thing.id}."):
        return True
    device = plant.devices.get(asset)
    return device is not None and any(split_point(p)[0] == thing.id for p in device.points)


def _state(
    plant: Plant, thing: Thing, rows: Sequence[PointView], alarms: Sequence[LiveAlarm],
    events: Sequence[Event], declared: Sequence[DeclarationView], now: int,
) -> tuple[str, str, str]:
    zone = ZoneInfo(plant.site.timezone)
    mine = [a for a in alarms if _concerns(plant, thing, a.asset)]
    active = [a for a in mine if a.present and a.state not in _SUPPRESSED]
    suppressed = "; an alarm is suppressed" if any(a.state in _SUPPRESSED for a in mine) else ""
    # The gravest comes first: an impaired asset looks well because its alarms are suppressed.
    covering = next((d for d in declared if thing.id in d.covers), None)
    if active:
        since = min(a.since for a in active)
        also = f"; {covering.state[:1].lower()}{covering.state[1:]}" if covering else ""
        return "not-normal", "not normal", f"since {moment(since, zone, now)}{also}{suppressed}"
    if covering is not None:
        return "impaired", covering.state, covering.declared
    if not rows:
        return "unsure", "not wired", ""
    silent = sum(not row.good for row in rows)
    if silent:
        what = f"no valid data at {silent} of {len(rows)} points"
        return "unsure", "not known", f"{what}{suppressed}"
    ends = [e.time for e in events if isinstance(e, AlarmTransition)
            and e.transition is Transition.RETURNED and _concerns(plant, thing, e.asset)]
    since_text = f"since {moment(max(ends), zone, now)}" if ends else ""
    return "normal", "normal", f"{since_text}{suppressed}".removeprefix("; ")


_FIRST = {
    "generator": ("tank_pressure", "compressor_running", "mode", "product_oxygen"),
    "riser": ("pressure", "pipe_temperature", "valve_room_temperature"),
    "vent": ("oxygen", "open", "water"), "room": ("oxygen", "temperature"),
}
"""Quantities shown on the overview for each kind of asset; the others are on its page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tank:
    """Pressures of a tank as shares of the drawing's height; ``None`` where unknown."""

    level: float | None
    cut_in: float | None
    cut_out: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """One asset with its points on the overview."""

    asset: AssetView
    first: tuple[PointView, ...]
    tank: Tank | None = None
    vents: tuple[Node, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Branch:
    """One generator with the risers it feeds; ``source`` is ``None`` for risers fed by none."""

    source: Node | None
    risers: tuple[Node, ...]


def branches(
    plant: Plant, things: Sequence[AssetView], points: Mapping[str, PointState],
) -> tuple[tuple[Branch, ...], tuple[Node, ...]]:
    """Return the branches, and the assets on none: rooms, and vents of no known riser."""
    views = {view.id: view for view in things}

    def risers(fed_by: str | None) -> tuple[Node, ...]:
        return tuple(
            _node(views[r.id], r.kind, vents=tuple(
                _node(views[v.id], v.kind) for v in plant.vents.values() if v.riser == r.id))
            for r in plant.risers.values()
            if (r.fed_by if r.fed_by in plant.generators else None) == fed_by
        )

    found = [Branch(source=_node(views[g.id], g.kind, tank=_tank(g, points)), risers=risers(g.id))
             for g in plant.generators.values()]
    loose = risers(None)
    if loose:
        found.append(Branch(source=None, risers=loose))
    others: list[Thing] = [*(v for v in plant.vents.values() if v.riser not in plant.risers),
              *plant.rooms.values()]
    return tuple(found), tuple(_node(views[o.id], o.kind) for o in others)


def _node(
    view: AssetView, kind: str, *, tank: Tank | None = None, vents: tuple[Node, ...] = (),
) -> Node:
    first = [p for name in _FIRST[kind] for p in view.points
             if p.point.rpartition(".")[2] == name]
    # An asset with contacts alone shows those.
    return Node(asset=view, first=tuple(first or view.points[:3]), tank=tank, vents=vents)


def _tank(generator: Generator, points: Mapping[str, PointState]) -> Tank | None:
    state = points.get(f"{generator.id}.tank_pressure")
    good = state.last_good.value if state is not None and state.last_good is not None else None
    marks = [m for m in (generator.cut_out, generator.cut_in, good) if m is not None]
    if not marks or max(marks) <= 0:
        return None
    top = 1.15 * max(marks)

    def share(value: float | None) -> float | None:
        return None if value is None else min(max(value / top, 0.0), 1.0)

    return Tank(level=share(good), cut_in=share(generator.cut_in),
                cut_out=share(generator.cut_out))
