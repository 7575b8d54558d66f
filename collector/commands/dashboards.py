"""Write the Grafana dashboards of a site: the ones that ship, with its names, limits and units."""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

import collector
from collector.config import load_site
from collector.domain.errors import UsageError
from collector.domain.evaluations import COMPUTED, FLOW, MONEY
from collector.domain.plant import Plant

_NAMES = ("now", "purge", "compressor", "alarms", "fleet")
_LEVELS = {
    ("now", "riser", "pressure"): {"low": "low_pressure", "high": "high_pressure"},
    ("now", "generator", "tank_pressure"): {"cut-in": "cut_in", "cut-out": "cut_out"},
    ("purge", "vent", "oxygen"): {"target": "target_oxygen"},
}
"""Limits drawn as lines, by dashboard, measurement and field: their names and the asset's keys."""
_INTERVAL = ("estimate", "at least", "at most")
"""Names of an estimate's series."""
_FLOWS = ("scfh", "scfm", "L/h")

_Json = dict[str, Any]


def dashboards_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, nargs="?", metavar="SITE.toml", help="the site file")
    parser.add_argument("--to", type=Path, required=True, metavar="FOLDER",
                        help="folder for the files; files of the same name are replaced")


def run_dashboards(options: argparse.Namespace) -> int:
    """Write the Grafana dashboards of a site, with its names, its limits as lines, and its units.

    The dashboards for every site, and those of the fleet, ship in grafana_provisioning/; without a
    site file these are written. Grafana reads the folder when it starts, and again every half
    minute.

    Example:
      quietpipe dashboards --to /var/lib/grafana/quietpipe fenmoor.toml

    """
    plant = load_site(options.site, secrets=False).plant if options.site is not None else None
    folder: Path = options.to
    own = f"{plant.site.id}-" if plant is not None else ""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, board in dashboards(plant).items():
            path = folder / f"{own}{name}.json"
            path.write_text(written(board), encoding="utf-8")
            print(path)
    except OSError as exc:
        raise UsageError(f"{folder} cannot be written to: {exc.strerror}") from exc
    return 0


def dashboards(plant: Plant | None = None) -> dict[str, _Json]:
    """Return the dashboards by name; with ``plant``, in that site's names, limits and units."""
    package = Path(collector.__file__).parent
    # An installed package holds them itself, a checkout beside it, where Grafana is pointed.
    folder = next(f for f in (package / "boards", package.parent / "grafana_provisioning/boards")
                  if f.is_dir())
    boards = {n: json.loads((folder / f"{n}.json").read_text(encoding="utf-8")) for n in _NAMES}
    if plant is None:
        return boards
    return {n: _of_site(n, board, plant) for n, board in boards.items() if n != "fleet"}


def written(board: _Json) -> str:
    """Return the text of a dashboard's file."""
    return json.dumps(board, ensure_ascii=False, indent=1) + "\n"


def _of_site(name: str, board: _Json, plant: Plant) -> _Json:
    site = plant.site
    choice = {"text": site.id, "value": site.id, "selected": True}
    shown, *units = board["templating"]["list"]
    own = {key: shown[key] for key in ("name", "label", "skipUrlSync")}
    return board | {
        "uid": f"{board['uid']}-{site.id}"[:40], "title": f"{site.name}: {board['title']}",
        "timezone": site.timezone,
        "templating": {"list": [
            own | {"type": "constant", "hide": 2, "query": site.id, "current": choice,
                   "options": [choice]},
            *(_metric_first(u) if site.units == "metric" else u for u in units)]},
        "panels": [_panel(name, panel, plant) for panel in board["panels"]],
    }


def _metric_first(variable: _Json) -> _Json:
    """Return a choice of units with its options reversed, so that metric is selected first."""
    options = [o | {"selected": n == 0} for n, o in enumerate(reversed(variable["options"]))]
    query = ",".join(f"{o['text']} : {o['value']}" for o in options)
    return variable | {"query": query, "options": options, "current": options[0]}


def _panel(board: str, panel: _Json, plant: Plant) -> _Json:
    targets: list[_Json] = panel.get("targets", [])
    names = {thing.id: thing.name for thing in plant.things()}
    look = panel["fieldConfig"]
    if panel["type"] == "table":
        if not names or not any('"asset"' in t["query"] for t in targets):
            return panel
        mapping = {"type": "value", "options": {
            asset: {"text": name, "index": n} for n, (asset, name) in enumerate(names.items())}}
        look = look | {"defaults": look["defaults"] | {"mappings": [mapping]}}
        return panel | {"fieldConfig": look}
    limits = [line for t in targets for line in _limit_lines(board, t, plant)]
    tails = list(dict.fromkeys(tail for t in targets for tail in _tails(board, t, plant)))
    overrides = [_named(f"{asset}{tail}", f"{name}{tail}") for asset, name in names.items()
                 for tail in tails if name != asset]
    panel = panel | {"fieldConfig": look | {"overrides": [*overrides, *look["overrides"]]}}
    if limits:
        panel["targets"] = [t | {"refId": chr(65 + n)} for n, t in enumerate([*targets, *limits])]
    return panel


def _named(series: str, shown: str) -> _Json:
    return {"matcher": {"id": "byName", "options": series},
            "properties": [{"id": "displayName", "value": shown}]}


def _levels(board: str, target: _Json) -> tuple[str, dict[str, str]]:
    """Return the measurement that a query reads, and the limits drawn over it."""
    read = re.match(r'SELECT mean\("(\w+)"\).* FROM "(\w+)"', target["query"])
    if read is None:
        return "", {}
    return read[2], _LEVELS.get((board, read[2], read[1]), {})


def _tails(board: str, target: _Json, plant: Plant) -> Iterator[str]:
    """Yield the ends of a query's series names, after the asset's id."""
    head, _, tail = target["alias"].partition("$tag_asset")
    if head or "$tag_asset" not in target["alias"]:
        return
    if tail == " $col, $tag_unit":
        quantity = re.search("\"quantity\" = '([^']+)'", target["query"])
        unit = COMPUTED[quantity[1]].unit if quantity else ""
        money = dict.fromkeys(g.currency for g in plant.generators.values())
        units: Iterable[str] = {FLOW: _FLOWS, MONEY: money}.get(unit, (unit,))
        yield from (f" {text}, {unit}" for text in _INTERVAL for unit in units)
        return
    yield tail
    yield from (f" {what} limit" for what in _levels(board, target)[1])


def _limit_lines(board: str, target: _Json, plant: Plant) -> Iterator[_Json]:
    """Yield level lines where there are readings, in the unit they are shown in."""
    measurement, levels = _levels(board, target)
    things: Sequence[Any] = [t for t in plant.things() if t.kind == measurement]
    for thing in things:
        for what, key in levels.items():
            if (level := getattr(thing, key)) is None:
                continue
            query = re.sub(r'^SELECT (mean\("\w+"\))(.*?) AS "\w+"',
                           rf'SELECT (\1 * 0 + {level:g})\2 AS "{what}"', target["query"])
            query = query.replace(" AND $timeFilter", f" AND \"asset\" = '{thing.id}' "
                                  "AND $timeFilter")
            yield target | {"query": query, "alias": f"{thing.id} {what} limit"}
