"""The sub-commands of ``quietpipe``: each has a ``NAME_arguments`` and a ``run_NAME``."""

from __future__ import annotations

import argparse
import contextlib
import sys
import tomllib
from pathlib import Path
from types import TracebackType

from collector.clock import parse_instant
from collector.config import load_site
from collector.fleet import load_hub
from collector.recorded import RecordingError


def instant(text: str) -> int:
    """Parse an instant for argparse."""
    try:
        return parse_instant(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(str(exc)) from exc


def add_span(parser: argparse.ArgumentParser) -> None:
    """Add ``--from`` and ``--to`` as ``start`` and ``end`` (ms)."""
    parser.add_argument("--from", dest="start", type=instant, metavar="T",
                        help="first instant: ISO 8601 with offset or Z, or seconds since 1970")
    parser.add_argument("--to", dest="end", type=instant, metavar="T",
                        help="end (exclusive)")


def data_folder(path: Path) -> Path:
    """Return the data folder that a site file, or a hub's, names.

    Raises ``SiteFileError`` with every mistake of the file.
    """
    raw: dict[str, object] = {}
    with contextlib.suppress(OSError, ValueError):  # reported by the loaders below
        raw = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    if "groups" in raw and "site" not in raw:
        return load_hub(path, secrets=False).data
    return load_site(path, secrets=False).data


def print_recording_mistakes(error: RecordingError, consequence: str) -> None:
    """Print every mistake of the recordings to stderr, and what follows from them."""
    for mistake in error.mistakes:
        print(mistake, file=sys.stderr)
    print(f"{len(error.mistakes)} mistake(s) in the recordings; {consequence}", file=sys.stderr)


class Progress:
    """Rewrites one line on a terminal; does nothing without one.

    A context manager: the line is cleared at the end.
    """

    def __init__(self, what: str) -> None:
        self._what = what
        self._shown = ""
        self._on = sys.stderr.isatty()

    def __enter__(self) -> Progress:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._shown:
            self._write("")

    def share(self, done: int, total: int) -> None:
        """Show how much of ``total`` is done; ``total`` 0 is not known."""
        if self._on:
            self._show(f"{min(done, total) / total:.0%}" if total else f"{done:,}")

    def count(self, done: int, note: str = "") -> None:
        """Show a count that has no known end."""
        if self._on:
            self._show(f"{done:,}{note}")

    def _show(self, text: str) -> None:
        if text != self._shown:
            self._write(f"{self._what}: {text}")
            self._shown = text

    def _write(self, line: str) -> None:
        sys.stderr.write(f"\r\x1b[K{line}")
        sys.stderr.flush()
