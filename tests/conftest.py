"""What every test shares: where the open measurements lie, and the watch on the wire."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.wire import WIRE


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Return one worker more than there are cores: many tests wait for a wire, a mail, a clock."""
    return (os.cpu_count() or 1) + 1


@pytest.fixture(scope="session", autouse=True)
def only_reading_on_the_wire() -> Iterator[None]:
    """Fail the run when any request but a read (function codes 1 to 4) left during it."""
    yield
    WIRE.check()


def pytest_sessionfinish(session: pytest.Session) -> None:
    """A worker of a run on several cores hands what it saw to the process that reports."""
    output = getattr(session.config, "workeroutput", None)
    if output is not None:
        output["wire"] = [(wire, code, n) for (wire, code), n in WIRE.seen.items()]


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """Add what a worker saw to what is reported."""
    for wire, code, n in getattr(node, "workeroutput", {}).get("wire", ()):
        WIRE.seen[wire, code] += n


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
