"""The dialogue of a commissioning at a terminal: questions to stderr, answers from stdin."""

from __future__ import annotations

import argparse
import getpass
import select
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

from collector.clock import SystemClock
from collector.commissioning.commissioning import Commissioning, state_path
from collector.commissioning.interview import Frame
from collector.domain.conditions import CAUTIONS
from collector.domain.errors import UsageError

_REDRAW = 1.0
"""Seconds between two drawings of what is shown live."""


def commission_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, nargs="?", default=Path("site.toml"),
                        metavar="SITE.toml", help="the site file to write, or to add devices to "
                        "(default: site.toml)")
    parser.add_argument("--afresh", action="store_true",
                        help="put the answers of an earlier commissioning aside and begin again")


class Terminal:
    """The technician at a terminal: questions to stderr, answers from stdin."""

    def ask(self, key: str, question: str) -> str:
        """Return the line typed. Raises ``UsageError`` at the end of the input."""
        if key.endswith(".password") and sys.stdin.isatty():
            return getpass.getpass(question)
        print(question, end="", file=sys.stderr, flush=True)
        return self._line()

    @staticmethod
    def _line() -> str:
        line = sys.stdin.readline()
        if not line:
            raise UsageError("the input has ended; what was answered is kept")
        return line

    def ask_live(self, key: str, question: str, frame: Callable[[], Frame]) -> str:
        """Draw ``frame`` in place once a second until a line is typed; once, on no terminal."""
        if not (sys.stdin.isatty() and sys.stderr.isatty()):
            self.say("\n".join(frame().lines()))
            return self.ask(key, question)
        height = 0
        while True:
            size = shutil.get_terminal_size()
            lines = frame().lines(size.columns, size.lines - 2)
            back = f"\x1b[{height}F\x1b[J" if height else ""
            print(back + "\n".join(lines), end="\n", file=sys.stderr)
            print(question, end="", file=sys.stderr, flush=True)
            height = len(lines)
            # A line that is being typed stays with the terminal until its Enter.
            if select.select([sys.stdin], [], [], _REDRAW)[0]:
                return self._line()

    def say(self, text: str) -> None:
        print(text, file=sys.stderr, flush=True)


def run_commission(options: argparse.Namespace) -> int:
    """Lead from an unknown controller to a monitored site: a dialogue that writes its files.

    It describes the plant, finds devices, looks at their registers, matches them with what the
    controller's display shows, compares every point and writes the sheet to sign. It only reads,
    one question at a time and slowly. Leave it at any question with Ctrl-C; the same command goes
    on there. Exit status 0 when every point was compared and agrees with the display.

    Example:
      quietpipe commission fenmoor.toml

    """
    kept = state_path(options.site)
    if options.afresh and kept.exists():
        kept.replace(kept.with_suffix(".old.json"))
    person = Terminal()
    for name in ("not-a-fire-alarm", "only-reads"):
        person.say(CAUTIONS[name])
    person.say("Ctrl-C stops what is being asked, or leaves; the same command goes on from there.")
    if kept.exists():
        person.say(f"Going on with {kept}; --afresh begins again.")
    commissioning = Commissioning(options.site, person, SystemClock())
    try:
        commissioning.run()
    except KeyboardInterrupt:
        person.say(f"\nLeft. Everything answered is kept in {kept}.")
        return 130
    if commissioning.record is not None:
        print(commissioning.record.text())
    person.say(f"Next: quietpipe check {options.site}")
    proven = commissioning.record is not None and commissioning.record.proven
    return 0 if proven else 1
