"""The page of impairments and planned visits: active ones, forms to declare and to end them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import HTMLResponse

from collector.domain.plant import Plant
from collector.domain.windows import Window, WindowKind
from collector.web.render import page
from collector.web.services import BoardServices
from collector.web.views.labels import moment
from collector.web.views.lists import location_of, title_of

__all__ = ["WindowView", "active_window_lines", "add_window_page", "window_views"]

_SPANS = (("1 h", "1 hour"), ("2 h", "2 hours"), ("4 h", "4 hours"), ("8 h", "8 hours"),
          ("24 h", "24 hours"), ("3 d", "3 days"), ("7 d", "7 days"))


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowView:
    """One impairment or visit in words; ``suppressed`` has a line for each asset."""

    heading: str
    declared: str
    until: str
    suppressed: tuple[str, ...]
    end: str
    """The path that ends it."""


def _name(plant: Plant, asset: str) -> str:
    return plant.site.name if asset == plant.site.id else location_of(plant, asset)


def _heading(window: Window, plant: Plant) -> str:
    what = "Impairment of" if window.kind is WindowKind.IMPAIRMENT else "Planned visit to"
    return f"{what} {_name(plant, window.asset)}"


def window_views(windows: list[Window], plant: Plant, now: int) -> list[WindowView]:
    """Return the windows in the order given."""
    zone = ZoneInfo(plant.site.timezone)
    return [
        WindowView(
            heading=_heading(w, plant), until=moment(w.until, zone, now),
            suppressed=_suppressed(w, plant),
            declared=f"Declared by {w.by} at {moment(w.since, zone, now)}: {w.why}",
            end=f"/api/v1/{w.kind}s/{w.asset}/end",
        ) for w in windows
    ]


def _suppressed(window: Window, plant: Plant) -> tuple[str, ...]:
    places: dict[str, list[str]] = {}
    for name in window.inhibits:
        condition, _, asset = name.partition(".")
        places.setdefault(location_of(plant, asset), []).append(title_of(condition).lower())
    return tuple(f"{place}: {', '.join(titles)}." for place, titles in places.items())


def active_window_lines(services: BoardServices) -> Callable[[], list[str]]:
    """Return the function that gives a line for each active window, shown on every page."""
    def lines() -> list[str]:
        plant, now = services.plant(), services.clock.now()
        zone = ZoneInfo(plant.site.timezone)
        return [f"{_heading(w, plant)} until {moment(w.until, zone, now)}, by {w.by}: {w.why}"
                for w in services.windows()]
    return lines


def add_window_page(app: FastAPI, services: BoardServices) -> None:
    """Add ``/windows``."""

    @app.get("/windows", include_in_schema=False)
    async def shown(request: Request) -> HTMLResponse:
        plant = services.plant()
        systems = [*plant.risers, *plant.generators, plant.site.id] if plant.risers else []
        things = [*(t.id for t in plant.things()), *plant.devices]
        return page(
            request, "windows.html", spans=_SPANS,
            windows=window_views(list(services.windows()), plant, services.clock.now()),
            systems=[(asset, _name(plant, asset)) for asset in systems],
            things=[(asset, _name(plant, asset)) for asset in things],
        )
