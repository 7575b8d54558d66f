"""One dashboard before layout, and parts shared by all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from collector.dashboards.panels import Names, Panel, words
from collector.dashboards.queries import DATASOURCE, INTERVAL, select
from collector.dashboards.queries import field as name_of
from collector.domain.conditions import CAUTIONS
from collector.domain.plant import Plant

__all__ = ["Page", "cautions", "happenings", "names_of", "tails"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """Panels in reading order. ``since`` is the time shown at first, such as ``now-24h``."""

    name: str
    title: str
    doc: str
    since: str
    panels: Sequence[Panel]
    refresh: str = "1m"
    annotations: Sequence[Mapping[str, Any]] = ()
    fleet: bool = False


def names_of(plant: Plant | None) -> Names:
    """Return the display name of each asset of a site."""
    return {} if plant is None else {t.id: t.name for t in plant.things()}


def tails(*units: str) -> list[str]:
    """Return the end of an estimate's series names, after the asset's id."""
    return [f" {text}, {unit}" for text in INTERVAL.values() for unit in units]


def cautions(*which: str) -> Panel:
    """Return the cautions that belong to a page."""
    text = "\n\n".join(CAUTIONS[name] for name in ("not-a-fire-alarm", *which))
    return words("Before you rely on this", text, height=3 + len(which))


def happenings() -> dict[str, Any]:
    """Return annotations for operator actions and declarations."""
    kinds = "|".join(("fill-declared", "fill-ended", "collector-started", "clock-set",
                      "site-file-read"))
    query = select("fact", {"text": name_of("fact", "text")}, by=(), every=None,
                   like={"fact": f"^({kinds})$"})
    return {
        "name": "What was noted", "enable": True, "hide": False, "iconColor": "#6b3f78",
        "datasource": dict(DATASOURCE), "query": query, "textColumn": "text", "tagsColumn": "",
        "titleColumn": "", "timeEndColumn": "", "target": {
            "refId": "Anno", "query": query, "rawQuery": True, "resultFormat": "table",
            "textEditor": True, "fromAnnotations": True,
        },
    }
