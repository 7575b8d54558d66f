"""Asks the questions of a commissioning: each once, its answer checked, saved, never lost.

The dialogue is written as one straight run of questions. Taken up again, it runs from the top: a
question that has an answer is not asked, so it soon stands where it was left. Answers and finds are
in one JSON file, written whole before the next question.
"""

from __future__ import annotations

import json
import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from collector import files
from collector.clock import Clock
from collector.commissioning.decodings import parse_shown
from collector.commissioning.images import Image
from collector.commissioning.matching import DisplayReading
from collector.commissioning.states import StateReading
from collector.domain.errors import QuietpipeError

_VERSION = 1
_GAP = 10_000
"""ms without an image, at most, around an answer (setting): a value may turn in a longer gap, and
then what it was when it was read lies outside what the images saw."""


class NotSaved(QuietpipeError):
    """A file could not be written. What stood there before stands there still."""


def write_whole(path: Path, content: str | bytes, *, mode: int = 0o644) -> None:
    """Write a file as :func:`collector.files.write_whole` does. Raises ``NotSaved``."""
    try:
        files.write_whole(path, content, mode=mode)
    except OSError as error:
        raise NotSaved(f"{path} cannot be written: {error.strerror or error}") from error


class State:
    """The answers and finds so far, kept in the file at ``path``."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.answers: dict[str, str] = {}
        """By the key of the question."""
        self.found: dict[str, Any] = {}
        """What devices gave and what was worked out, as plain JSON."""
        self.images: list[Image] = []
        self.spans: dict[str, tuple[int, int]] = {}
        """When each question about a display was asked and answered (ms)."""

    @classmethod
    def load(cls, path: Path) -> State:
        """Return the state in the file, or an empty one where there is none."""
        state = cls(path)
        try:
            data = json.loads(path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            return state
        except (OSError, ValueError) as error:
            raise QuietpipeError(
                f"{path} holds no commissioning that can be read: {error}") from error
        if not isinstance(data, dict) or data.get("version") != _VERSION:
            raise QuietpipeError(f"{path} is of another version of this program")
        state.answers = dict(data["answers"])
        state.found = dict(data["found"])
        state.images = [Image.from_json(one) for one in data["images"]]
        state.spans = {key: (begin, end) for key, (begin, end) in data["spans"].items()}
        return state

    def save(self) -> None:
        """Write everything. Raises ``NotSaved``; what is in memory stays."""
        write_whole(self.path, json.dumps({
            "version": _VERSION, "answers": self.answers, "found": self.found,
            "spans": self.spans, "images": [image.as_json() for image in self.images],
        }))

    # -- readings of the display -------------------------------------------------------------------

    def around(self, key: str) -> tuple[Image, ...]:
        """Return the images around the answer to ``key``; none unless they enclose it.

        The first is the last that was complete when the question was asked, the last the first that
        began after the answer. Without both, what a register held meanwhile is not known.
        """
        begin, end = self.spans.get(key, (0, 0))
        before = [i for i in self.images if i.ended <= begin]
        after = [i for i in self.images if i.began >= end]
        if not before or not after:
            return ()
        first = max(before, key=lambda i: i.ended)
        last = min(after, key=lambda i: i.began)
        found = tuple(i for i in self.images if first.began <= i.began <= last.began)
        gaps = [b.began - a.ended for a, b in zip(found, found[1:], strict=False)]
        return found if max(gaps) <= _GAP else ()

    def _context(self, images: tuple[Image, ...]) -> tuple[Image, ...]:
        """Return the images with the one before and the one after, where they follow closely."""
        first = [i for i in self.images if 0 <= images[0].began - i.ended <= _GAP][-1:]
        last = [i for i in self.images if 0 <= i.began - images[-1].ended <= _GAP][:1]
        return (*first, *images, *last)

    def display_readings(self, keys: Sequence[str], of: str, unit: str) -> list[DisplayReading]:
        """Return the readings that were typed in answer to ``keys``; empty answers are none."""
        return [DisplayReading(shown=parse_shown(text, of, unit), images=images,
                               context=self._context(images))
                for key in keys
                if (text := self.answers.get(key)) and (images := self.around(key))]

    def state_readings(self, keys: Sequence[str], words: Mapping[str, str]) -> list[StateReading]:
        """Return the states that were stated in answer to ``keys``; ``words`` gives their state."""
        return [StateReading(state=words[text], images=images)
                for key in keys
                if (text := self.answers.get(key, "")) in words and (images := self.around(key))]

    def forget_unenclosed(self, keys: Sequence[str]) -> list[str]:
        """Forget the answers that no images enclose, so that they are asked again; return them."""
        lost = [key for key in keys if self.answers.get(key) and not self.around(key)]
        for key in lost:
            del self.answers[key]
            self.spans.pop(key, None)
        return lost

    def drop_unused_images(self) -> None:
        """Keep the first image, the last, and those that enclose an answer."""
        used = {id(image) for key in self.spans if (images := self.around(key))
                for image in self._context(images)}
        ends = {id(image) for image in (self.images[:1] + self.images[-1:])}
        self.images = [image for image in self.images if id(image) in used | ends]


Check = Callable[[str], str]
"""Returns what is wrong with an answer; empty where it is right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """A table as it is now, shown again and again while a question waits for its answer."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()
    ready: bool = False
    """Whether what the question waits for has come."""

    def lines(self, columns: int = 1000, rows: int = 10**6) -> list[str]:
        """Return it as text; columns that do not fit are left out whole, rows from the end."""
        table = [self.head, *self.rows]
        widths = [max(len(row[n]) for row in table) for n in range(len(self.head))]
        while len(widths) > 1 and sum(widths) + len(widths) - 1 > columns:
            widths.pop()
        words = [not n or any(" " in row[n] for row in self.rows) for n in range(len(self.head))]
        lines = [" ".join(cell.ljust(w) if is_words else cell.rjust(w) for cell, w, is_words
                          in zip(row, widths, words, strict=False)).rstrip() for row in table]
        notes = [part for note in self.notes for part in textwrap.wrap(note, columns)]
        room = max(rows - len(notes), 2)
        if len(lines) > room:
            lines[room - 1:] = [f"… and {len(lines) - room + 1} more"]
        return [line[:columns] for line in [*lines, *notes]]


_KEYS = "Enter takes what is in brackets; < goes back to the question before."


class Person(Protocol):
    """The technician, at a terminal or elsewhere."""

    def ask(self, key: str, question: str) -> str:
        """Return the line typed. Raises ``EOFError`` when there will be none."""

    def ask_live(self, key: str, question: str, frame: Callable[[], Frame]) -> str:
        """Show ``frame`` again and again until the line is typed, and return that."""

    def say(self, text: str) -> None:
        """Show a text."""


class Back(Exception):
    """The technician goes back: the run starts again, without the last answer."""


class Interview:
    """The questions, with the answers in ``state``."""

    def __init__(self, state: State, person: Person, clock: Clock) -> None:
        self.state, self.person, self.clock = state, person, clock
        self._waiting: list[str] = []
        self._asked: list[str] = []
        self.live = 0
        """Questions that were really asked."""

    def say(self, text: str) -> None:
        """Show a text before the next question that is really asked."""
        self._waiting.append(text)

    def show(self) -> None:
        """Show the texts that are waiting."""
        for text in self._waiting:
            self.person.say(text)
        self._waiting.clear()

    def ask(
        self, key: str, question: str, *, default: str = "", check: Check = lambda _text: "",
        optional: bool = False, enter: str = "leave out", explain: str = "",
        keep: Callable[[str], str] = lambda text: text, frame: Callable[[], Frame] | None = None,
    ) -> str:
        """Return the answer to ``key``; ask until it is right, and save it.

        Enter takes ``default``; with ``optional``, Enter leaves it out, which ``enter`` puts into
        words. ``keep`` turns what was typed into what is stored: a secret goes elsewhere. ``<``
        goes back to the question before, and ``?`` shows ``explain``. ``frame`` is shown meanwhile.
        """
        self._asked.append(key)
        if key in self.state.answers:
            self._waiting.clear()
            return self.state.answers[key]
        self.show()
        hint = f" [{default}]" if default else f" [Enter: {enter}]" if optional and enter else ""
        while True:
            asked = self.clock.now()
            self.live += 1
            line = f"{question}{hint}: "
            typed = (self.person.ask(key, line) if frame is None
                     else self.person.ask_live(key, line, frame)).strip()
            if typed == "<":
                self._back()
            if typed == "?":
                self.person.say("  " + " ".join(filter(None, (explain, _KEYS))))
                continue
            answer = typed or default
            if not answer and not optional:
                self.person.say("  This is needed; ? says more.")
                continue
            wrong = check(answer) if answer else ""
            if wrong:
                self.person.say(f"  {wrong}")
                continue
            try:
                self.state.answers[key] = keep(answer) if answer else ""
            except NotSaved as error:
                self.person.say(f"  {error}. Nothing is lost yet; make room and answer again.")
                continue
            self.state.spans[key] = (asked, self.clock.now())
            self.save()
            return self.state.answers[key]

    def sure(
        self, key: str, question: str, *, default: bool = False, explain: str = "",
        frame: Callable[[], Frame] | None = None,
    ) -> bool:
        """Return a yes or a no."""
        answer = self.ask(key, f"{question} (y/n)", default="y" if default else "n",
                          check=choice("y", "n", "yes", "no"), explain=explain, frame=frame)
        return answer.lower().startswith("y")

    def save(self) -> None:
        """Save, and ask for room until it works: what is only in memory must not be lost."""
        while True:
            try:
                return self.state.save()
            except NotSaved as error:
                self.person.say(f"  {error}. Nothing is lost yet; make room and go on.")
                self.person.ask("save-again", "  Enter tries again: ")

    def forget(self, prefix: str) -> None:
        """Forget every answer whose key begins with ``prefix``."""
        for key in [k for k in self.state.answers if k.startswith(prefix)]:
            del self.state.answers[key]
            self.state.spans.pop(key, None)

    def _back(self) -> None:
        earlier = [k for k in self._asked[:-1] if k in self.state.answers]
        if earlier:
            del self.state.answers[earlier[-1]]
            self.state.spans.pop(earlier[-1], None)
            self.save()
        raise Back


def choice(*words: str) -> Check:
    """Return a check that an answer is one of ``words``."""
    def check(text: str) -> str:
        return "" if text.lower() in words else f"One of {', '.join(words)}, please."
    return check


def whole(low: int, high: int) -> Check:
    """Return a check that an answer is a whole number within limits."""
    def check(text: str) -> str:
        right = text.isdigit() and low <= int(text) <= high
        return "" if right else f"A whole number from {low} to {high}, please."
    return check


def numbers(text: str) -> Sequence[int] | None:
    """Return the numbers of ``1-5, 17``, or ``None`` where it is no such list."""
    found: list[int] = []
    for part in text.replace(" ", "").split(","):
        first, dash, last = part.partition("-")
        if not first.isdigit() or (dash and not last.isdigit()):
            return None
        found += range(int(first), int(last if dash else first) + 1)
    return found
