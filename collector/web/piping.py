"""The site as it is piped: each generator with its risers, each riser with its vents. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from collector.domain.live import PointState
from collector.domain.plant import Generator, Plant, Thing
from collector.web.thing_view import PointView, ThingView

__all__ = ["Branch", "Node", "Tank", "branches"]

_FIRST = {
    "generator": ("tank_pressure", "compressor_running", "mode", "product_oxygen"),
    "riser": ("pressure", "pipe_temperature", "valve_room_temperature"),
    "vent": ("oxygen", "open", "water"), "room": ("oxygen", "temperature"),
}
"""What is read first of each kind of thing; the rest is on its own page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tank:
    """How full a tank is, as shares of what its drawing shows; ``None`` where unknown."""

    level: float | None
    cut_in: float | None
    cut_out: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """One thing with the points that are read first."""

    thing: ThingView
    first: tuple[PointView, ...]
    tank: Tank | None = None
    vents: tuple[Node, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Branch:
    """One generator (``None`` for risers that none is said to feed) and what hangs on it."""

    source: Node | None
    risers: tuple[Node, ...]


def branches(
    plant: Plant, things: Sequence[ThingView], points: Mapping[str, PointState],
) -> tuple[tuple[Branch, ...], tuple[Node, ...]]:
    """Return the branches, and what is on none: rooms, and vents of no known riser."""
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
    view: ThingView, kind: str, *, tank: Tank | None = None, vents: tuple[Node, ...] = (),
) -> Node:
    first = [p for name in _FIRST[kind] for p in view.points
             if p.point.rpartition(".")[2] == name]
    # A thing with contacts alone shows those.
    return Node(thing=view, first=tuple(first or view.points[:3]), tank=tank, vents=vents)


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
