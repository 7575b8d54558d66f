"""The ``--from`` and ``--to`` of commands."""

from __future__ import annotations

import argparse

from collector.clock import parse_instant

__all__ = ["add_span", "instant"]


def instant(text: str) -> int:
    """Read an instant as argparse wants it."""
    try:
        return parse_instant(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(str(exc)) from exc


def add_span(parser: argparse.ArgumentParser) -> None:
    """Add ``--from`` and ``--to`` as ``start`` and ``end`` (ms)."""
    parser.add_argument("--from", dest="start", type=instant, metavar="T",
                        help="first instant: ISO 8601 with offset or Z, or seconds since 1970")
    parser.add_argument("--to", dest="end", type=instant, metavar="T",
                        help="end, itself excluded")
