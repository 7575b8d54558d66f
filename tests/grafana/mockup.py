"""Draw every panel's data as Grafana would lay it out: to look at, since no Grafana runs here.

    python -m tests.grafana.mockup FOLDER      one page of HTML for each dashboard

It is no rendering of Grafana's. It shows what a person would have before them: which panels are
empty, which have too many series to read, whose names and units are missing.
"""

from __future__ import annotations

import asyncio
import html
import sys
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from collector.clock import format_instant
from collector.commands.dashboards import dashboards
from collector.forward import InfluxSettings
from tests.forward.influx.peers import Influxd
from tests.grafana.load import MORE, fill, forward
from tests.grafana.test_real import HOURS, spoken

_CELL, _ROW = 58, 32
INKS = ("#1d4f73", "#8a4b14", "#356428", "#6b3f78", "#7a6a12", "#2f6b6b")
_STYLE = """body{font:13px sans-serif;background:#eceae3;color:#1b2530;margin:12px;width:1440px}
.p{position:absolute;background:#fbf9f2;border:1px solid #cdd3cf;padding:6px;overflow:hidden;
box-sizing:border-box} h3{font-size:13px;margin:0 0 4px} table{border-collapse:collapse;width:100%}
td,th{text-align:left;border-bottom:1px solid #ddd;padding:2px 6px;vertical-align:top}
.n{font-size:34px}.s{font-size:11px;color:#4f5963}"""


def page(server: Influxd, board: dict[str, Any]) -> str:
    parts = []
    for panel in board["panels"]:
        at = panel["gridPos"]
        where = (f"left:{12 + at['x'] * _CELL}px;top:{50 + at['y'] * _ROW}px;"
                 f"width:{at['w'] * _CELL - 6}px;height:{at['h'] * _ROW - 6}px")
        title = _units(panel["title"])
        parts.append(f'<div class="p" style="{where}"><h3>{html.escape(title)}</h3>'
                     f"{_inside(server, panel)}</div>")
    return (f"<!doctype html><meta charset=utf-8><style>{_STYLE}</style>"
            f"<b>{html.escape(board['title'])}</b>{''.join(parts)}")


def _units(text: str) -> str:
    return text.replace("${pressure:text}", "psi").replace("${temperature:text}", "°F")


def _inside(server: Influxd, panel: dict[str, Any]) -> str:
    if panel["type"] == "text":
        return f"<p>{html.escape(panel['options']['content'])}</p>"
    rows: list[list[dict[str, Any]]] = []
    for target in panel["targets"]:
        rows.append(server.query(next(spoken(_units(target["query"])))))
    if panel["type"] in ("table", "stat"):
        return _rows(panel, [r for some in rows for r in some])
    named: dict[str, list[tuple[int, float]]] = defaultdict(list)
    for target, some in zip(panel["targets"], rows, strict=True):
        for row in some:
            for name, value in row.items():
                if name != "time" and isinstance(value, int | float):
                    named[_alias(panel, target["alias"], row, name)].append((row["time"], value))
    return _drawn(panel, named)


def _alias(panel: dict[str, Any], alias: str, row: dict[str, Any], column: str) -> str:
    for key, value in row.items():
        alias = alias.replace(f"$tag_{key}", str(value))
    name = alias.replace("$col", column)
    for override in panel["fieldConfig"]["overrides"]:
        if override["matcher"] == {"id": "byName", "options": name}:
            return next(p["value"] for p in override["properties"] if p["id"] == "displayName")
    return name


def _mapped(mappings: Iterable[dict[str, Any]], value: object) -> str:
    for mapping in mappings:
        found = mapping["options"].get(f"{value:g}" if isinstance(value, float | int)
                                       else str(value))
        if found:
            return str(found["text"])
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _rows(panel: dict[str, Any], rows: list[dict[str, Any]]) -> str:
    if panel["type"] == "stat":
        value = [v for k, v in rows[-1].items() if k != "time"][0] if rows else "0"
        return f'<div class="n">{value}</div>'
    organize = panel["transformations"][-1]["options"]
    names = dict(organize["renameByName"])
    hidden = set(organize["excludeByName"]) | ({"time"} if "Time" in organize["excludeByName"]
                                               else set())
    columns = [c for c in dict.fromkeys(k for r in rows for k in r) if c not in hidden]
    shown = {o["matcher"]["options"]: {p["id"]: p["value"] for p in o["properties"]}
             for o in panel["fieldConfig"]["overrides"]}
    body = []
    for row in rows[:30]:
        cells = []
        for column in columns:
            value = row.get(column)
            title = names.get("Time" if column == "time" else column, column)
            own = shown.get(title, {})
            if value is not None and (column == "time" or "dateTime" in own.get("unit", "")):
                text = format_instant(int(value))
            else:
                mappings = own.get("mappings") or panel["fieldConfig"]["defaults"]["mappings"]
                text = "" if value is None else _mapped(mappings, value)
            cells.append(f"<td>{html.escape(text)}</td>")
        body.append(f"<tr>{''.join(cells)}</tr>")
    heads = "".join(f"<th>{html.escape(names.get('Time' if c == 'time' else c, c))}</th>"
                    for c in columns)
    return f"<table><tr>{heads}</tr>{''.join(body)}</table>"


def _drawn(panel: dict[str, Any], named: dict[str, list[tuple[int, float]]]) -> str:
    width, height = panel["gridPos"]["w"] * _CELL - 70, panel["gridPos"]["h"] * _ROW - 60
    if not named:
        return "<i>nothing</i>"
    times = [t for s in named.values() for t, _ in s]
    values = [v for s in named.values() for _, v in s]
    start, span = min(times), max(max(times) - min(times), 1)
    low = panel["fieldConfig"]["defaults"].get("min", min(values))
    high = panel["fieldConfig"]["defaults"].get("max", max(values))
    high = high if high > low else low + 1
    if panel["type"] == "state-timeline":
        return _laned(panel, named, start, span, width)
    drawn = []
    for n, series in enumerate(named.values()):
        points = " ".join(f"{(t - start) / span * width:.1f},"
                          f"{height - (v - low) / (high - low) * height:.1f}" for t, v in series)
        drawn.append(f'<polyline fill="none" stroke="{INKS[n % len(INKS)]}" points="{points}"/>')
        drawn += [f'<circle r="2" cx="{p.split(",")[0]}" cy="{p.split(",")[1]}" '
                  f'fill="{INKS[n % len(INKS)]}"/>' for p in points.split() if len(series) < 40]
    legend = ", ".join(f'<span style="color:{INKS[n % len(INKS)]}">{html.escape(name)}</span>'
                       for n, name in enumerate(named))
    return (f'<svg width="{width + 4}" height="{height + 4}">{"".join(drawn)}</svg>'
            f'<div class="s">{low:.4g} to {high:.4g}; {legend}</div>')


def _laned(panel: dict[str, Any], named: dict[str, list[tuple[int, float]]], start: int,
           span: int, width: int) -> str:
    colors = panel["fieldConfig"]["defaults"]["mappings"][0]["options"]
    lanes = []
    for name, series in named.items():
        bars = []
        for (t, v), (after, _) in zip(series, [*series[1:], (start + span, 0.0)], strict=True):
            left = (t - start) / span * (width - 240)
            bars.append(f'<rect x="{left:.1f}" y="0" height="14" '
                        f'width="{max((after - t) / span * (width - 240), 1):.1f}" '
                        f'fill="{colors.get(f"{v:g}", {"color": "#000"})["color"]}"/>')
        lanes.append(f'<tr><td style="width:220px">{html.escape(name)}</td>'
                     f'<td><svg width="{width - 240}" height="14">{"".join(bars)}</svg></td></tr>')
    legend = ", ".join(f'<span style="color:{o["color"]}">{o["text"]}</span>'
                       for o in colors.values())
    return f'<table>{"".join(lanes)}</table><div class="s">{legend}</div>'


def main(folder: Path) -> None:
    (folder / "influx").mkdir(parents=True, exist_ok=True)
    server = Influxd(folder / "influx")
    server.start()
    try:
        server.query("CREATE DATABASE sprinklers")
        journal, config = fill(folder / "demo", "demo", HOURS, MORE)
        settings = InfluxSettings(api="v1", url=server.url, database="sprinklers")
        asyncio.run(forward(journal, config, settings, folder))
        journal.close()
        for name, board in {**{f"site-{k}": b for k, b in dashboards(config.plant).items()},
                            **dashboards()}.items():
            (folder / f"{name}.html").write_text(page(server, board), encoding="utf-8")
            print(folder / f"{name}.html")
    finally:
        server.stop()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
