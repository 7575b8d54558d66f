"""A new user's way: an empty folder and an unknown controller, to the first alarm in a mailbox.

Everything is typed at a terminal, question by question as they appear. The controller is on a
serial line (RTU on a pty), the mail server is a real one. Only the clock of the dialogue runs fast.

With ``--write`` the page of the handbook gets what stood on the screen, what was counted, and the
pictures of the board.

Example:
  python -m tests.commissioning.first_site --write

"""

from __future__ import annotations

import argparse
import contextlib
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from email.message import EmailMessage
from pathlib import Path

from collector.clock import ScaledClock, format_instant
from collector.domain.readings import MODES, QUANTITIES
from simulators.unknown_maps import Controller, draw_controller
from tests.commissioning.at_terminal import ROOT, Conversation, converse
from tests.commissioning.outcomes import ranges_of
from tests.commissioning.technician import served
from tests.integration.support import get_json, until
from tests.notify.mailserver import MailServer, free_port

__all__ = ["SEED", "Typist", "Way", "counted", "way"]

SEED = 0
SPEED = 20.0
"""Times as fast as the machine's clock, while the dialogue lasts."""
TYPING = 5.0
"""Seconds that a person needs to read a question and to type its answer: a setting of this test."""
PATIENCE = 300.0
"""Seconds that a person waits at most until values have moved."""
_PAGE = ROOT / "collector" / "handbook" / "pages" / "first-site.md"


class Typist:
    """A fitter: knows the plant, sees the display and the compressor, operates the switches."""

    def __init__(self, controller: Controller, clock: ScaledClock, port: str, mail: MailServer,
                 ) -> None:
        self.controller, self.clock, self.port = controller, clock, port
        self.running = controller.truth()["gen1.compressor_running"][0].signal
        self.since, self.operating = 0.0, ""
        self.known = {
            "Name of the site": "Fenmoor Cold Store", "Time zone": "Europe/London",
            "How many purge vents": "0", "Who is called": "Ann Archer",
            "Mail server": f"127.0.0.1:{mail.port}", "E-mail address": "ann@example.org",
            "How is it connected": "serial", "The serial port": port,
            "Unit numbers": str(controller.unit), "Register addresses": ranges_of(controller),
            "Your name": "T. Fitter",
        }
        self.labels = {f"{asset}: {QUANTITIES[kind][name].label}": point
                       for point in (*controller.shown(0), *controller.switches)
                       for asset, name in [point.split(".")]
                       for kind in [{"gen1": "generator", "r1": "riser"}[asset]]}

    @property
    def now(self) -> float:
        return self.clock.monotonic() / 1000

    def __call__(self, question: str, shown: str) -> str | None:
        if question.startswith("Enter reads the display again"):
            return self.wait(shown)
        time.sleep(TYPING / self.clock.speed)
        for words, answer in self.known.items():
            if question.startswith(words):
                return answer
        if "compressor running" in question:
            return "y" if self.running(self.now) else "n"
        if f"mode ({', '.join(MODES)})" in question:
            return "nitrogen" if self.running(self.now) else "off"
        if question.startswith("Which of them are wired"):
            return ", ".join(number for number, label in re.findall(r"  (\d+) = (.+)", shown)
                             if self.labels.get(label) in self.controller.switches)
        return self.switch(question, shown) or self.display(question)

    def wait(self, shown: str) -> str | None:
        """Wait for the good moment that the program tells of; not for ever."""
        self.since = self.since or self.now
        if "Now is a good moment" not in shown and self.now < self.since + PATIENCE:
            return None
        self.since = 0.0
        return ""

    def switch(self, question: str, shown: str) -> str:
        named = re.findall(r"^(\w+: .+):$", shown, re.MULTILINE)
        if named:
            self.operating = self.labels[named[-1]]
        if question.startswith("Operate it"):
            self.controller.switches[self.operating] = True
        elif question.startswith(("Leave it", "Put it back")):
            self.controller.switches[self.operating] = False
        return ""

    def display(self, question: str) -> str:
        point = self.labels.get(re.split(r",| now\b| \[", question)[0], "")
        if point in self.controller.switches:
            return "y" if self.controller.switches[point] else "n"
        return self.controller.shown(self.now).get(point, "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """The whole way, as it was seen."""

    talk: Conversation
    minutes: float
    """From the first question to the signed sheet."""
    site: str
    profile: str
    check: str
    mail: EmailMessage
    seconds_to_mail: float
    """From the switch to the mail."""
    board: str


def counted(found: Way) -> dict[str, int]:
    """Return the figures that the page states."""
    live = [q for q, _ in found.talk.asked]
    return {
        "questions in all": len(live),
        "of these answered by Enter alone": sum(not typed for _, typed in found.talk.asked),
        "minutes from the first question to the signed sheet": round(found.minutes),
    }


def way(folder: Path, visit: Callable[[str], None] = lambda _board: None) -> Way:
    """Go the whole way in ``folder``; ``visit`` gets the board's address while it is in alarm."""
    controller, mail = draw_controller(SEED), MailServer()
    with mail.serving(), served(controller, speed=SPEED, kind="serial") as (port, clock, device):
        began = clock.monotonic()
        talk = converse(["commission", "fenmoor.toml"], folder,
                        Typist(controller, clock, port, mail), clock=clock)
        minutes = (clock.monotonic() - began) / 60_000
        assert talk.status == 0, talk.screen[-3000:]
        device.seconds = _at_real_speed(clock)  # the other commands have the machine's clock
        site = folder / "fenmoor.toml"
        written = site.read_text(encoding="utf-8")
        check = subprocess.run(
            [sys.executable, "-m", "collector.cli", "check", site.name], cwd=folder,
            capture_output=True, text=True, check=False)
        assert check.returncode == 0, check.stdout + check.stderr
        board = f"127.0.0.1:{free_port()}"  # its usual port may be in use on this machine
        site.write_text(written + f'\n[board]\nlisten = "{board}"\n', encoding="utf-8")
        daemon = subprocess.Popen(
            [sys.executable, "-m", "collector.cli", "run", site.name], cwd=folder,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            until(lambda: _good(board, "r1.low_air"), within=40, what="a reading of the switch")
            assert not mail.mails
            operated = time.monotonic()
            controller.switches["r1.low_air"] = True
            until(lambda: mail.mails, within=60, what="a mail about the low-air switch")
            seconds = time.monotonic() - operated
            visit(f"http://{board}")
        finally:
            daemon.send_signal(signal.SIGTERM)
            assert daemon.wait(30) == 0
    return Way(talk=talk, minutes=minutes, site=written, check=check.stdout, mail=mail.mails[0],
               profile=(folder / "gen1-controller.toml").read_text(encoding="utf-8"),
               seconds_to_mail=seconds, board=board)


def _at_real_speed(clock: ScaledClock) -> Callable[[], float]:
    reached, since = clock.monotonic() / 1000, time.monotonic()
    return lambda: reached + time.monotonic() - since


def _good(board: str, point: str) -> bool:
    with contextlib.suppress(OSError):
        return any(p["point"] == point and p["quality"] == "good"
                   for p in get_json(f"http://{board}/api/v1/status")["points"])
    return False
