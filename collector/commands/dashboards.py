"""Write the Grafana dashboards of a site, with its names, its limits as lines, and its units."""

from __future__ import annotations

import argparse
from pathlib import Path

from collector.config import load_site
from collector.dashboards import dashboards, written
from collector.domain.errors import UsageError

__all__ = ["dashboards_arguments", "run_dashboards"]


def dashboards_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
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
