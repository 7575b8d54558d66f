"""What every test shares: where the open measurements lie, and the watch on the wire."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.wire import WIRE


@pytest.fixture(scope="session", autouse=True)
def only_reading_on_the_wire() -> Iterator[None]:
    """Fail the run when any request but a read (function codes 1 to 4) left during it."""
    yield
    WIRE.check()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say how many requests were looked at: a watch that saw nothing proves nothing."""
    if WIRE.total:
        codes = ", ".join(str(code) for code in sorted(WIRE.function_codes()))
        terminalreporter.write_line(f"requests seen on the wire: {WIRE.total}, codes {codes}")


@pytest.fixture(scope="session")
def open_data() -> Path:
    """The open measurement sets, or a skip that says what is missing."""
    beside = Path(__file__).resolve().parents[2] / "shared" / "data"
    folder = Path(os.environ.get("QUIETPIPE_DATA", beside))
    if not folder.is_dir():
        pytest.skip(
            "the open measurement sets are not in this clone; "
            "set QUIETPIPE_DATA to a folder that holds them"
        )
    return folder
