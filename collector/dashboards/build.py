"""The dashboards as files: the same for every site, or with one site's names, limits and units."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from typing import Any

from collector.dashboards import alarms, compressor, fleet, now, purge
from collector.dashboards.page import Page
from collector.dashboards.queries import DATASOURCE
from collector.domain.plant import Plant

__all__ = ["DATASOURCE", "dashboards", "written"]

_UNITS = {
    "pressure": ("Pressures in", (("psi", "* 1"), ("bar", "* 0.0689476"))),
    "temperature": ("Temperatures in", (("°F", "* 1.8 + 32"), ("°C", "* 1"))),
}
"""Readings are kept in psi and degrees C; the first of each pair is the choice of a US site."""


def dashboards(plant: Plant | None = None) -> dict[str, dict[str, Any]]:
    """Return every dashboard by its file's name; with ``plant``, in that site's own words.

    Raises ``KeyError`` when a panel asks for a field or tag that forwarding does not write.
    """
    return {page.name: _board(page, plant) for page in (
        now.page(plant), purge.page(plant), compressor.page(plant), alarms.page(plant),
        *(() if plant is not None else (fleet.page(),)),
    )}


def written(board: dict[str, Any]) -> str:
    """Return the text of a dashboard's file."""
    return json.dumps(board, ensure_ascii=False, indent=1) + "\n"


def _board(page: Page, plant: Plant | None) -> dict[str, Any]:
    own = f"-{plant.site.id}" if plant is not None else ""
    whose = f"{plant.site.name}: " if plant is not None else ""
    return {
        "uid": f"quietpipe-{page.name}{own}"[:40], "title": f"{whose}{page.title}",
        "tags": ["quietpipe"],
        "description": page.doc, "editable": False, "graphTooltip": 1, "refresh": page.refresh,
        "schemaVersion": 41, "version": 1, "fiscalYearStartMonth": 0, "liveNow": False,
        "time": {"from": page.since, "to": "now"},
        "timezone": plant.site.timezone if plant is not None else "browser",
        "timepicker": {}, "weekStart": "",
        "annotations": {"list": [dict(a) for a in page.annotations]},
        "links": [{
            "type": "dashboards", "tags": ["quietpipe"], "title": "Quietpipe", "asDropdown": True,
            "includeVars": True, "keepTime": False, "targetBlank": False, "icon": "external link",
            "tooltip": "", "url": "",
        }],
        "templating": {"list": list(_variables(page, plant))},
        "panels": list(_placed(page)),
    }


def _placed(page: Page) -> Iterator[dict[str, Any]]:
    """Set panels from left to right; what does not fit any more begins the next row."""
    x = y = tallest = 0
    for number, panel in enumerate(page.panels, 1):
        if x + panel.width > 24:
            x, y, tallest = 0, y + tallest, 0
        yield panel.json(number, x, y)
        x, tallest = x + panel.width, max(tallest, panel.height)


def _variables(page: Page, plant: Plant | None) -> Iterator[dict[str, Any]]:
    yield _site(page, plant)
    metric = plant is not None and plant.site.units == "metric"
    for name, (label, choices) in _UNITS.items():
        ordered = choices[::-1] if metric else choices
        yield {
            "name": name, "type": "custom", "label": label, "hide": 0, "skipUrlSync": False,
            "multi": False, "includeAll": False,
            "query": ",".join(f"{text} : {value}" for text, value in ordered),
            "options": _options(ordered), "current": _options(ordered)[0],
        }


def _options(choices: Sequence[tuple[str, str]]) -> list[dict[str, Any]]:
    return [{"text": text, "value": value, "selected": n == 0}
            for n, (text, value) in enumerate(choices)]


def _site(page: Page, plant: Plant | None) -> dict[str, Any]:
    shared = {"name": "site", "label": "Site", "skipUrlSync": False}
    if plant is not None:
        one = {"text": plant.site.id, "value": plant.site.id, "selected": True}
        return {**shared, "type": "constant", "hide": 2, "query": plant.site.id, "current": one,
                "options": [one]}
    query = 'SHOW TAG VALUES WITH KEY = "site"'
    return {
        **shared, "type": "query", "hide": 0, "datasource": dict(DATASOURCE), "query": query,
        "refresh": 2, "sort": 1, "regex": "", "options": [],
        "multi": page.fleet, "includeAll": page.fleet,
        "current": {"text": ["All"], "value": ["$__all"]} if page.fleet else {},
    }
