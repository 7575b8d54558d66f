"""A commissioning led from the board: it runs in a thread, and its questions wait for a page."""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable
from pathlib import Path

from collector.clock import Clock
from collector.commissioning.commissioning import Commissioning
from collector.commissioning.device_search import Left
from collector.commissioning.interview import Frame
from collector.domain.errors import QuietpipeError
from collector.sources import Address
from collector.web.services import CommissioningView

_log = logging.getLogger(__name__)
_LINES = 300
"""Lines of the dialogue that a page shows."""
_NEXT = 2.0
"""Seconds that an answer waits for the next question, so that most pages show it at once."""


class CommissioningSession:
    """The one commissioning of a board. Every method may be called from any thread.

    ``polled`` gives the addresses that the monitor itself asks: none of them is searched, since two
    who ask one line at once would hurry a device, and garble a serial line.
    """

    def __init__(
        self, site: Path, clock: Clock, polled: Callable[[], frozenset[Address]],
    ) -> None:
        self._site, self._clock, self._polled = site, clock, polled
        self._changed = threading.Condition()
        self._lines: deque[str] = deque(maxlen=_LINES)
        self._question = ""
        self._secret = False
        self._frame: Callable[[], Frame] | None = None
        self._answer: str | None = None
        self._leaving = False
        self._work: Commissioning | None = None

    def __repr__(self) -> str:
        return f"CommissioningSession({self._site}, {self.view().state})"

    # -- what the page calls -----------------------------------------------------------------------

    def view(self) -> CommissioningView:
        """Return the dialogue so far."""
        with self._changed:
            state = "stopped" if self._work is None else "asking" if self._question else "working"
            shown = self._frame() if self._frame is not None and self._question else Frame(
                title="", head=(), rows=())
            return CommissioningView(
                state=state, lines=tuple(self._lines), question=self._question,
                secret=self._secret, title=shown.title, head=shown.head, rows=shown.rows,
                notes=shown.notes)

    def start(self) -> None:
        """Begin a commissioning, or continue the one that was left; does nothing while one runs."""
        with self._changed:
            if self._work is not None:
                return
            self._lines.clear()
            self._leaving = False
            self._work = Commissioning(self._site, self, self._clock, polled=self._polled())
        threading.Thread(target=self._run, name="commissioning-board", daemon=True).start()
        self._wait_for_question()

    def answer(self, question: str, text: str) -> None:
        """Answer ``question``; ignored when another is open, as after a page was sent twice."""
        with self._changed:
            if not self._question or question != self._question:
                return
            self._answer, self._question = text, ""
            self._changed.notify_all()
        self._wait_for_question()

    def stop_asking(self) -> None:
        """Stop sending requests to the device."""
        work = self._work
        if work is not None:
            work.stop_asking()
        self._wait_for_question()

    def leave(self) -> None:
        """End the dialogue; everything answered is kept."""
        with self._changed:
            self._leaving, self._question = True, ""
            self._changed.notify_all()
        self.stop_asking()

    # -- what the dialogue calls -------------------------------------------------------------------

    def ask(self, key: str, question: str) -> str:
        """Return a page's answer to a question. Raises ``Left`` when the person leaves."""
        with self._changed:
            self._question, self._answer = question.strip(": "), None
            self._secret = key.endswith(".password")
            self._changed.notify_all()
            self._changed.wait_for(lambda: self._answer is not None or self._leaving)
            self._question = ""
            if self._answer is None:
                raise Left("left; everything answered is kept")
            # An address of a person may hold a password too.
            hidden = self._answer and key.endswith((".password", ".to"))
            self._lines.append(question + ("(kept in its file)" if hidden else self._answer))
            return self._answer

    def ask_live(self, key: str, question: str, frame: Callable[[], Frame]) -> str:
        """Return the answer; the page shows ``frame`` meanwhile, again at each load."""
        self._frame = frame
        try:
            return self.ask(key, question)
        finally:
            self._frame = None

    def say(self, text: str) -> None:
        """Add a text to the dialogue."""
        with self._changed:
            self._lines.extend(text.split("\n"))

    def _run(self) -> None:
        work = self._work
        assert work is not None
        try:
            work.run()
            ended = f"Finished. Reload the monitor to read {self._site.name} again."
        except QuietpipeError as error:
            ended = f"Ended: {error}."
        except Exception as error:  # the last line of defence of a thread
            _log.exception("a commissioning ended by a fault of this program")
            ended = f"Ended by a fault of this program: {error}."
        with self._changed:
            self._lines.append(ended)
            self._work, self._question = None, ""
            self._changed.notify_all()

    def _wait_for_question(self) -> None:
        with self._changed:
            self._changed.wait_for(lambda: bool(self._question) or self._work is None, _NEXT)
