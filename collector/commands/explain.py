"""Show the page of a condition or a quantity: what it means, what to check first, its settings.

Without an id it lists every page.

Example:
  quietpipe explain
  quietpipe explain pressure-low
  quietpipe explain leak-rate
  quietpipe explain site-file

"""

from __future__ import annotations

import argparse
import shutil
import sys

from collector.handbook import CONTENTS, UnknownPage, find_page

__all__ = ["add_arguments", "run"]

_WIDEST = 88


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    parser.add_argument("id", nargs="?", metavar="ID", default=CONTENTS,
                        help="a condition, a quantity or a subject; none lists them all")


def run(options: argparse.Namespace) -> int:
    """Show a page; return the exit status, 2 for an id that is none."""
    try:
        page = find_page(options.id)
    except UnknownPage as error:
        print(f"quietpipe explain: {error}\n(quietpipe explain lists every page)",
              file=sys.stderr)
        return 2
    print(page.text(min(shutil.get_terminal_size((_WIDEST, 24)).columns, _WIDEST)), end="")
    return 0

