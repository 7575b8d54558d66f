"""Asks the questions of a commissioning: each once, its answer checked, saved, never lost.

The dialogue is written as one straight run of questions. Taken up again, it runs from the top: a
question that has an answer is not asked, so it soon stands where it was left.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from collector.clock import Clock
from collector.commissioning.state import NotSaved, State

__all__ = ["Back", "Frame", "Interview", "Person", "choice", "numbers", "whole"]

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
            lines[room - 1:] = [f"… and {len(lines) - room + 1} more; a higher window shows them"]
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
        """Show what waits now."""
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
        """Forget every answer whose key begins so."""
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
