"""The saved state of a commissioning: what was answered and found. A JSON file, written whole.

A commissioning takes an afternoon, and much can happen in one. Each answer is on the disk before
the next question is asked, so that nothing is asked twice.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from collector import files
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
    """A file could not be written; its earlier content is unchanged."""


def write_whole(path: Path, content: str | bytes, *, mode: int = 0o644) -> None:
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
