"""Copy what a site or a hub has kept, while it runs; or put such a copy back.

The copy is a folder: the journal as it stands at one moment, accounts, keys, records, and a list
of checksums. Keep it elsewhere, and as safe as the original. To put it back, stop the service, move
the data folder aside, call this with --restore, and start the service again.

Example:
  quietpipe backup fenmoor.toml /mnt/backup/fenmoor-2026-03-01
  quietpipe backup fenmoor.toml /mnt/backup/fenmoor-2026-03-01 --restore

"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from collector.backups import back_up, restore
from collector.clock import SystemClock
from collector.commands.folders import data_folder

__all__ = ["add_arguments", "run"]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("site", type=Path, metavar="SITE.toml",
                        help="the site file, or a hub's file")
    parser.add_argument("copy", type=Path, metavar="FOLDER", help="the copy's own folder")
    parser.add_argument("--restore", action="store_true",
                        help="put the copy back; the data folder must be empty or not there")


def run(options: argparse.Namespace) -> int:
    """Copy or put back; print each file with its bytes."""
    data = data_folder(options.site)
    kept = restore(data, options.copy) if options.restore \
        else back_up(data, options.copy, SystemClock().now())
    for one in kept:
        print(one.name, one.bytes, sep="\t")
    where = data if options.restore else options.copy
    print(f"{len(kept)} files, {sum(k.bytes for k in kept)} bytes, in {where}", file=sys.stderr)
    return 0
