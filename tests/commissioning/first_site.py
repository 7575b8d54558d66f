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
import textwrap
import time
from collections.abc import Callable
from dataclasses import dataclass
from email.message import EmailMessage
from pathlib import Path

from collector.clock import ScaledClock
from collector.domain.readings import MODES, QUANTITIES
from simulators.unknown_maps import Controller, draw_controller
from tests.commissioning.at_terminal import ROOT, Conversation, converse
from tests.commissioning.technician import at_real_speed, served
from tests.integration.support import get_json, until
from tests.notify.mailserver import MailServer, free_port

__all__ = ["PAGE", "SEED", "Typist", "Way", "counted", "screens", "way"]

SEED = 0
SPEED = 20.0
"""Times as fast as the machine's clock, while the dialogue lasts."""
TYPING = 5.0
"""Seconds that a person needs to read a question and to type its answer: a setting of this test."""
PATIENCE = 300.0
"""Seconds that a person waits at most until values have moved."""
PAGE = ROOT / "collector" / "handbook" / "pages" / "first-site.md"


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
            "Unit numbers": str(controller.unit), "Your name": "T. Fitter",
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
        if all(word in question for word in MODES):
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
        # A person leaves the unit out where the question names it.
        return self.controller.shown(self.now).get(point, "").partition(" ")[0]


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
        "seconds from the switch to the mail": round(found.seconds_to_mail),
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
        device.seconds = at_real_speed(clock)  # the other commands have the machine's clock
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


def _good(board: str, point: str) -> bool:
    with contextlib.suppress(OSError):
        return any(p["point"] == point and p["quality"] == "good"
                   for p in get_json(f"http://{board}/api/v1/status")["points"])
    return False


_PARTS = (("plant", "Name of the site"), ("device", "Find a device now"),
          ("display", "\nThe display."), ("contacts", "\nThe contacts."),
          ("sheet", "Short name of this controller"))
"""Parts of the screen, by the text that each begins with."""


def screens(found: Way) -> dict[str, str]:
    """Return what the page shows, by name."""
    shown, begins = {}, [found.talk.screen.index(text) for _, text in _PARTS]
    for (name, _), begin, end in zip(_PARTS, begins, [*begins[1:], None], strict=True):
        shown[name] = found.talk.screen[begin:end].strip("\n")
    # The command prints the whole sheet at its end.
    shown["sheet"] = shown["sheet"].partition("\nCommissioning sheet")[0]
    first = found.profile.index("[[points]]")
    shown["profile"] = found.profile[:found.profile.index("\n\n", first)]
    shown["check"] = found.check.partition("\nnot monitored")[0].strip("\n")
    body = found.mail.get_content().partition("\nSite:")[0].strip()
    shown["mail"] = f"To: {found.mail['To']}\nSubject: {found.mail['Subject']}\n\n{body}"
    return {name: "\n".join(textwrap.fill(
        line, 96, subsequent_indent="    ", break_long_words=False)
        if len(line) > 96 else line.rstrip() for line in text.split("\n"))
        for name, text in shown.items()}


def picture(board: str, path: Path) -> None:
    """Take a picture of the board as a telephone shows it."""
    from PIL import Image
    from playwright.sync_api import sync_playwright

    from tests.web.chromium import ARGUMENTS, CHROMIUM, PHONE
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=ARGUMENTS)
        page = browser.new_page(viewport=PHONE)
        page.goto(board)
        page.screenshot(path=path)
        browser.close()
    # Sixty-four colours are enough for a page, and a quarter of the size.
    Image.open(path).convert("P", palette=Image.Palette.ADAPTIVE, colors=64).save(
        path, optimize=True)


def main() -> None:
    """Go the way, and print what was counted; with ``--write``, write it into the page."""
    parser = argparse.ArgumentParser(description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--write", action="store_true", help="write the page of the handbook")
    write = parser.parse_args().write
    with tempfile.TemporaryDirectory() as folder:
        found = way(Path(folder), visit=lambda board: picture(
            board, PAGE.with_name("first-site-board.png")) if write else None)
    print(found.talk.screen)
    print(counted(found))
    if not write:
        return
    text = PAGE.read_text(encoding="utf-8")
    for name, shown in screens(found).items():
        text = re.sub(rf"```screen {name}\n.*?```", lambda _, n=name, s=shown:
                      f"```screen {n}\n{s}\n```", text, flags=re.DOTALL)
    for name, number in counted(found).items():
        text = re.sub(rf"\| {name} \| \d+ \|", f"| {name} | {number} |", text)
    PAGE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
