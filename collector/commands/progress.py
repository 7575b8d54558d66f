"""A line of progress on standard error, where that is a terminal."""

from __future__ import annotations

import sys
from types import TracebackType

__all__ = ["Progress"]


class Progress:
    """Rewrites one line on a terminal and says nothing anywhere else.

    A context manager: the line is wiped at the end, so that what is printed next stands alone.
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
