"""A person at a terminal: a command on a pty, its questions read off the screen, answers typed."""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from collector.clock import ScaledClock

__all__ = ["Conversation", "converse"]

ROOT = Path(__file__).resolve().parents[2]
_QUIET = 0.05
"""Seconds without output after which a line that asks is taken for the question."""
_SCALED = """\
import sys
from collector import cli
from collector.clock import ScaledClock
from collector.commands import commission
origin, speed, started = int(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3])
commission.SystemClock = lambda: ScaledClock(origin=origin, speed=speed, started=started)
sys.exit(cli.main(sys.argv[4:]))
"""


@dataclass(slots=True, kw_only=True)
class Conversation:
    """What stood on the screen, and every question with its answer."""

    screen: str = ""
    asked: list[tuple[str, str]] = field(default_factory=list)
    status: int = -1


def converse(
    arguments: Sequence[str], folder: Path, answer: Callable[[str, str], str | None], *,
    clock: ScaledClock | None = None, within: float = 300.0,
) -> Conversation:
    """Run ``quietpipe ARGUMENTS`` on a terminal in ``folder`` until it ends.

    ``answer`` gets the question, and what was shown since the answer before; ``None`` is not yet.
    With ``clock``, the process has that clock in place of the machine's.
    """
    program = ["-m", "collector.cli"] if clock is None else [
        "-c", _SCALED, str(clock.origin), str(clock.speed),
        str(time.time_ns() // 10**6 - int(clock.monotonic() / clock.speed))]
    near, far = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, *program, *arguments], cwd=folder, stdin=far, stdout=far, stderr=far,
        start_new_session=True, env={**os.environ, "PYTHONPATH": str(ROOT)})
    os.close(far)
    found, fresh, until = Conversation(), "", time.monotonic() + within
    while True:
        assert time.monotonic() < until, found.screen[-3000:]
        if select.select([near], [], [], _QUIET)[0]:
            try:
                more = os.read(near, 65536).decode()
            except OSError:  # the other end is closed
                break
            fresh = _drawn(fresh + more.replace("\r\n", "\n"))
            continue
        if not fresh.endswith(": "):
            continue
        question = fresh.rpartition("\n")[2].strip()
        typed = answer(question, fresh)
        if typed is None:
            continue
        found.asked.append((question, typed))
        found.screen, fresh = found.screen + fresh, ""
        os.write(near, f"{typed}\n".encode())
    os.close(near)
    found.screen += fresh
    found.status = process.wait()
    return found


def _drawn(text: str) -> str:
    """Return what a terminal shows: it goes up some lines and clears what is below."""
    while found := re.search(r"\x1b\[(\d+)F\x1b\[J", text):
        lines = text[:found.start()].split("\n")
        text = "".join(f"{line}\n" for line in lines[:-1 - int(found[1])]) + text[found.end():]
    return text
