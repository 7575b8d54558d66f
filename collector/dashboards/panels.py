"""Panels as Grafana's JSON, of few kinds: lines, state timelines, numbers, tables, text."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from collector.dashboards.queries import DATASOURCE, Query
from collector.domain.readings import MODES

__all__ = ["INKS", "LIMIT", "Names", "Panel", "lines", "number", "state_timeline", "table", "words"]

INKS = ("#1d4f73", "#8a4b14", "#356428", "#6b3f78", "#7a6a12", "#2f6b6b")
"""The colours of series, in the order they are given out: dark enough for paper, apart in grey."""

_BAD, _FINE, _SOFT, _UNSURE = "#b5493f", "#356428", "#8b949b", "#b98a1c"

LIMIT = "limit"
"""How the name of a line that is a limit ends."""

_UNSAID = {"legend": True, "tooltip": False, "viz": False}
"""Drawn, and named where one points at it, but not in the legend."""

Names = Mapping[str, str]
"""Display names of assets, by id."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """A panel and the room it takes: ``width`` of 24 columns, ``height`` in Grafana's rows."""

    kind: str
    title: str
    width: int
    height: int
    queries: Sequence[Query] = ()
    doc: str = ""
    defaults: Mapping[str, Any] = field(default_factory=dict)
    overrides: Sequence[Mapping[str, Any]] = ()
    options: Mapping[str, Any] = field(default_factory=dict)
    transformations: Sequence[Mapping[str, Any]] = ()

    def json(self, number: int, x: int, y: int) -> dict[str, Any]:
        """Return the panel's JSON at a position of the dashboard."""
        made: dict[str, Any] = {
            "id": number, "type": self.kind, "title": self.title, "description": self.doc,
            "gridPos": {"x": x, "y": y, "w": self.width, "h": self.height},
            "options": dict(self.options),
            "fieldConfig": {"defaults": dict(self.defaults), "overrides": list(self.overrides)},
            "transparent": self.kind == "text",
        }
        if self.queries:
            made["datasource"] = dict(DATASOURCE)
            made["targets"] = [q.target(chr(65 + n)) for n, q in enumerate(self.queries)]
        if self.transformations:
            made["transformations"] = list(self.transformations)
        return made


def _named(names: Names, tails: Iterable[str]) -> list[dict[str, Any]]:
    """Return overrides that show an asset's name where a series begins with its id."""
    return [_override("byName", f"{asset}{tail}", displayName=f"{name}{tail}")
            for asset, name in names.items() for tail in tails if name != asset]


def _override(by: str, what: str, **properties: Any) -> dict[str, Any]:
    return {"matcher": {"id": by, "options": what},
            "properties": [{"id": k.replace("__", "."), "value": v}
                           for k, v in properties.items()]}


def lines(
    title: str, queries: Sequence[Query], *, names: Names, tails: Iterable[str] = ("",),
    width: int = 12, height: int = 8, doc: str = "", decimals: int = 1, bars: bool = False,
    low: float | None = None, high: float | None = None, limit: float | None = None,
) -> Panel:
    """Return lines over time. A line whose name ends in "limit" is dashed, low and high are thin.

    ``limit`` draws a level that is the same everywhere.
    """
    custom = {
        "drawStyle": "bars" if bars else "line", "lineWidth": 1 if bars else 2,
        "fillOpacity": 60 if bars else 0, "showPoints": "auto", "pointSize": 4,
        "spanNulls": False, "lineInterpolation": "linear",
        "thresholdsStyle": {"mode": "off" if limit is None else "dashed"},
    }
    steps: list[dict[str, Any]] = [{"color": "transparent", "value": None}]
    if limit is not None:
        steps.append({"color": _BAD, "value": limit})
    defaults: dict[str, Any] = {
        "custom": custom, "decimals": decimals, "noValue": "nothing in this time",
        "color": {"mode": "palette-classic-by-name"},
        "thresholds": {"mode": "absolute", "steps": steps},
    }
    if low is not None:
        defaults["min"] = low
    if high is not None:
        defaults["max"] = high
    return Panel(
        kind="timeseries", title=title, width=width, height=height, queries=queries, doc=doc,
        defaults=defaults,
        overrides=[
            *_named(names, tails),
            _override("byRegexp", f"/{LIMIT}$/", color={"mode": "fixed", "fixedColor": _BAD},
                      custom__lineStyle={"fill": "dash", "dash": [8, 6]}, custom__lineWidth=1,
                      custom__showPoints="never", custom__spanNulls=True, custom__hideFrom=_UNSAID),
            _override("byRegexp", "/ at (least|most), /", custom__lineWidth=1,
                      custom__hideFrom=_UNSAID,
                      custom__lineStyle={"fill": "dot", "dash": [2, 6]}),
        ],
        options={
            "legend": {"displayMode": "list", "placement": "bottom", "showLegend": True,
                       "calcs": []},
            "tooltip": {"mode": "multi", "sort": "none"},
        },
    )


def _steps(words: Sequence[tuple[float, str, str]]) -> list[dict[str, Any]]:
    return [{"type": "value", "options": {
        f"{value:g}": {"text": text, "color": color, "index": n}
        for n, (value, text, color) in enumerate(words)
    }}]


MODE_WORDS = _steps([(0, MODES[0], _SOFT), (1, MODES[1], INKS[0]), (2, MODES[2], _UNSURE)])


def contact_words(zero: str, one: str, *, bad: bool) -> list[dict[str, Any]]:
    """Return the texts for 0 and 1 of a contact; ``bad`` when 1 is abnormal."""
    return _steps([(0, zero, _FINE if bad else _SOFT), (1, one, _BAD if bad else INKS[0])])


def state_timeline(
    title: str, queries: Sequence[Query], mappings: Sequence[Mapping[str, Any]], *, names: Names,
    tails: Iterable[str] = ("",), width: int = 12, height: int = 5, doc: str = "",
) -> Panel:
    """Return a state timeline, one row for each."""
    return Panel(
        kind="state-timeline", title=title, width=width, height=height, queries=queries, doc=doc,
        defaults={
            "custom": {"fillOpacity": 85, "lineWidth": 0, "spanNulls": False},
            "color": {"mode": "thresholds"}, "mappings": list(mappings),
            "noValue": "not wired, or nothing in this time",
            "thresholds": {"mode": "absolute", "steps": [{"color": _SOFT, "value": None}]},
        },
        overrides=_named(names, tails),
        options={
            "mergeValues": True, "showValue": "auto", "alignValue": "left", "rowHeight": 0.8,
            "legend": {"displayMode": "list", "placement": "bottom", "showLegend": False},
            "tooltip": {"mode": "single", "sort": "none"},
        },
    )


def number(
    title: str, query: Query, *, width: int = 4, height: int = 4, doc: str = "",
    empty: str = "0", bad_from: float | None = None, unit: str = "none", decimals: int = 0,
) -> Panel:
    """Return one large number; from ``bad_from`` on it is shown as bad."""
    steps: list[dict[str, Any]] = [{"color": _FINE if bad_from is not None else INKS[0],
                                    "value": None}]
    if bad_from is not None:
        steps.append({"color": _BAD, "value": bad_from})
    return Panel(
        kind="stat", title=title, width=width, height=height, queries=(query,), doc=doc,
        defaults={"unit": unit, "decimals": decimals, "noValue": empty,
                  "color": {"mode": "thresholds"},
                  "thresholds": {"mode": "absolute", "steps": steps}},
        options={
            "colorMode": "value", "graphMode": "none", "justifyMode": "auto", "textMode": "auto",
            "orientation": "auto", "wideLayout": True,
            "reduceOptions": {"calcs": ["lastNotNull"], "fields": "", "values": False},
        },
    )


def table(
    title: str, queries: Sequence[Query], *, names: Names, width: int = 12, height: int = 8,
    doc: str = "", hide: Sequence[str] = ("Time",), rename: Mapping[str, str] | None = None,
    columns: Mapping[str, Mapping[str, Any]] | None = None, sort: str | None = None,
    descending: bool = True, decimals: int | None = None,
) -> Panel:
    """Return rows. ``columns`` are properties by the name a column has once it is renamed."""
    shown: dict[str, Any] = {"custom": {"align": "auto", "inspect": False}, "noValue": "none",
                             "mappings": [{"type": "value", "options": {
                                 asset: {"text": name, "index": n}
                                 for n, (asset, name) in enumerate(names.items())}}]
                             if names else []}
    if decimals is not None:
        shown["decimals"] = decimals
    organize = {"id": "organize", "options": {
        "excludeByName": dict.fromkeys(hide, True), "indexByName": {},
        "renameByName": {"Time": "when", "asset": "thing", **(rename or {})},
    }}
    merge = [{"id": "merge", "options": {}}] if len(queries) > 1 else []
    return Panel(
        kind="table", title=title, width=width, height=height, queries=queries, doc=doc,
        defaults=shown,
        overrides=[_override("byName", name, **properties)
                   for name, properties in (columns or {}).items()],
        options={"showHeader": True, "cellHeight": "sm",
                 "footer": {"show": False, "reducer": ["sum"], "countRows": False, "fields": ""},
                 "sortBy": [{"displayName": sort, "desc": descending}] if sort else []},
        transformations=[*merge, organize],
    )


def words(title: str, text: str, *, width: int = 24, height: int = 4) -> Panel:
    """Return words, in Markdown."""
    return Panel(kind="text", title=title, width=width, height=height,
                 options={"mode": "markdown", "content": text})
