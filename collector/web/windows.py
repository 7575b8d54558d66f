"""Impairments and planned visits: what lasts, what it keeps quiet, how it is declared and ended."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import HTMLResponse

from collector.domain.plant import Plant
from collector.domain.windows import Window, WindowKind
from collector.web.board_lists import place_of, title_of
from collector.web.render import page
from collector.web.services import BoardServices
from collector.web.words import moment

__all__ = ["WindowView", "add_windows", "standing_lines", "window_views"]

_SPANS = (("1 h", "1 hour"), ("2 h", "2 hours"), ("4 h", "4 hours"), ("8 h", "8 hours"),
          ("24 h", "24 hours"), ("3 d", "3 days"), ("7 d", "7 days"))


@dataclass(frozen=True, slots=True, kw_only=True)
class WindowView:
    """One window as people read it; ``quiet`` has a line for each place."""

    heading: str
    declared: str
    until: str
    quiet: tuple[str, ...]
    end: str
    """The address that ends it."""


def _name(plant: Plant, asset: str) -> str:
    return plant.site.name if asset == plant.site.id else place_of(plant, asset)


def _heading(window: Window, plant: Plant) -> str:
    what = "Impairment of" if window.kind is WindowKind.IMPAIRMENT else "Planned visit to"
    return f"{what} {_name(plant, window.asset)}"


def window_views(windows: list[Window], plant: Plant, now: int) -> list[WindowView]:
    """Return the windows in the order given."""
    zone = ZoneInfo(plant.site.timezone)
    return [
        WindowView(
            heading=_heading(w, plant), until=moment(w.until, zone, now), quiet=_quiet(w, plant),
            declared=f"Declared by {w.by} at {moment(w.since, zone, now)}: {w.why}",
            end=f"/api/v1/{w.kind}s/{w.asset}/end",
        ) for w in windows
    ]


def _quiet(window: Window, plant: Plant) -> tuple[str, ...]:
    places: dict[str, list[str]] = {}
    for name in window.quiet:
        condition, _, asset = name.partition(".")
        places.setdefault(place_of(plant, asset), []).append(title_of(condition).lower())
    return tuple(f"{place}: {', '.join(titles)}." for place, titles in places.items())


def standing_lines(services: BoardServices) -> Callable[[], list[str]]:
    """Return what says, on every page, which windows last."""
    def lines() -> list[str]:
        plant, now = services.plant(), services.clock.now()
        zone = ZoneInfo(plant.site.timezone)
        return [f"{_heading(w, plant)} until {moment(w.until, zone, now)}, by {w.by}: {w.why}"
                for w in services.windows()]
    return lines


def add_windows(app: FastAPI, services: BoardServices) -> None:
    """Add ``/windows``; whoever may look may read it, who may respond declares and ends."""

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
