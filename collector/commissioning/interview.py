"""Asks the questions of a commissioning: each once, its answer checked, saved, never lost.

The dialogue is written as one straight run of questions. Taken up again, it runs from the top: a
question that has an answer is not asked, so it soon stands where it was left.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from collector.clock import Clock
from collector.commissioning.state import NotSaved, State

Check = Callable[[str], str]
"""Returns what is wrong with an answer; empty where it is right."""


class Person(Protocol):
    """The technician, at a terminal or elsewhere."""

    def ask(self, key: str, question: str) -> str:
        """Return the line typed. Raises ``EOFError`` when there will be none."""

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
        optional: bool = False, keep: Callable[[str], str] = lambda text: text,
    ) -> str:
        """Return the answer to ``key``; ask until it is right, and save it.

        Enter takes ``default``; with ``optional``, Enter leaves it out. ``keep`` turns what was
        typed into what is stored: a secret goes elsewhere. ``<`` goes back to the question before.
        """
        self._asked.append(key)
        if key in self.state.answers:
            self._waiting.clear()
            return self.state.answers[key]
        self.show()
        hint = f" [{default}]" if default else " [Enter: leave out]" if optional else ""
        while True:
            asked = self.clock.now()
            self.live += 1
            typed = self.person.ask(key, f"{question}{hint}: ").strip()
            if typed == "<":
                self._back()
            answer = typed or default
            if not answer and not optional:
                self.person.say("  This is needed.")
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

    def sure(self, key: str, question: str, *, default: bool = False) -> bool:
        """Return a yes or a no."""
        answer = self.ask(key, f"{question} (y/n)", default="y" if default else "n",
                          check=choice("y", "n", "yes", "no"))
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
