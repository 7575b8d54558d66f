"""A small trend beside an alarm: the value and its limits, without axes."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from markupsafe import Markup

from collector.domain.conditions import CATALOGUE, ConditionSettings
from collector.domain.plant import Plant, Vent
from collector.domain.readings import TrendStep, point_kind, split_point
from collector.domain.units import duration_text, scale_of, value_text, with_capital
from collector.web.views.trends import limits_of

_WIDTH, _HEIGHT, _EDGE = 240.0, 56.0, 4.0


def plotted_point(plant: Plant, condition: str, asset: str) -> str | None:
    """Return the point that shows a condition of an asset: its own, its riser's, or ``None``."""
    known = CATALOGUE.get(condition)
    own = plant.thing(asset) or plant.thing(asset.rpartition(".")[0])
    if known is None or not known.plot or own is None:
        return None
    things = [own]
    if isinstance(own, Vent) and own.riser in plant.risers:
        things.append(plant.risers[own.riser])
    for thing in things:
        point = f"{thing.id}.{known.plot}"
        if point_kind(thing.kind, known.plot) is not None and plant.is_configured(point):
            return point
    return None


def sparkline(
    plant: Plant, settings: ConditionSettings, point: str, steps: Sequence[TrendStep],
    *, start: int, end: int,
) -> Markup | None:
    """Return the trend of a point from ``start`` to ``end`` (ms); ``None`` without valid data."""
    thing_id, quantity = split_point(point)
    thing = plant.thing(thing_id)
    kind = point_kind(thing.kind, quantity) if thing is not None else None
    values = [v for s in steps for v in (s.low, s.high) if v is not None]
    if thing is None or kind is None or not values or kind.unit in ("contact", "mode"):
        return None
    scale, limits = scale_of(kind.unit, plant.site.units), limits_of(plant, settings, thing,
                                                                     quantity)
    shown = [*values, *(level.value for level in limits)]
    bottom, height = min(shown), (max(shown) - min(shown)) or 1.0

    def y(value: float) -> str:
        return f"{_HEIGHT - _EDGE - (value - bottom) / height * (_HEIGHT - 2 * _EDGE):.1f}"

    path, pen = [], "M"
    for step in steps:
        if step.mean is None:
            pen = "M"
            continue
        path.append(f"{pen}{(step.start - start) / (end - start) * _WIDTH:.1f} {y(step.mean)}")
        pen = "L"
    marks = "".join(f'<path class="plot-limit" d="M0 {y(level.value)}H{_WIDTH:g}"/>'
                    for level in limits)
    lasted = duration_text(end - start)
    said = ", ".join(f"{level.label} {value_text(level.value, scale)}" for level in limits)
    last = next(s.mean for s in reversed(steps) if s.mean is not None)
    words = f"{with_capital(kind.label)}, last {lasted}: now {value_text(last, scale)}"
    return Markup(  # noqa: S704 - every word is escaped
        f'<figure class="spark"><svg viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" aria-hidden="true" '
        f'focusable="false">{marks}<path class="plot-line s0" d="{"".join(path)}"/></svg>'
        f'<figcaption>{escape(words)}{escape(f"; {said}" if said else "")}</figcaption></figure>'
    )
