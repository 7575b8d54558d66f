"""Collects every mistake of a TOML file, each with its line."""

from __future__ import annotations

import difflib
import errno
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from collector.domain.errors import Mistake

Key = tuple[str | int, ...]
"""The key of a value: ``("generators", 0, "cut_in")``."""

_KEY_PART = re.compile(r"""\s*(?:"((?:[^"\\]|\\.)*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*""")


def path_text(key: Key) -> str:
    """Write a key as ``generators[0].cut_in``.

    >>> path_text(("generators", 0, "cut_in"))
    'generators[0].cut_in'
    """
    text = ""
    for part in key:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += f".{part}" if text else part
    return text


def nearest(word: str, known: Iterable[str]) -> str:
    """Return ``; did you mean "x"?`` for the known word nearest to ``word``, or nothing."""
    found = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f'; did you mean "{found[0]}"?' if found else ""


def _dotted(text: str) -> list[str] | None:
    parts: list[str] = []
    rest = text
    while True:
        found = _KEY_PART.match(rest)
        if found is None:
            return None
        parts.append(next(g for g in found.groups() if g is not None))
        rest = rest[found.end():]
        if not rest:
            return parts
        if not rest.startswith("."):
            return None
        rest = rest[1:]


_SCRAP = re.compile(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'|#.*')


def _depth(text: str) -> int:
    """Count brackets still open after ``text``, without strings and comments."""
    bare = _SCRAP.sub("", text)
    return sum(bare.count(c) for c in "[{") - sum(bare.count(c) for c in "]}")


class _Scan:
    def __init__(self) -> None:
        self.lines: dict[Key, int] = {}
        self.table: Key = ()
        self._counts: dict[Key, int] = {}

    def header(self, line: str, number: int) -> None:
        double = line.startswith("[[")
        inner = re.match(r"\[\[?(.*?)\]\]?\s*(?:#.*)?$", line)
        parts = _dotted(inner[1]) if inner else None
        if not parts:
            return
        key: Key = ()
        for part in parts[:-1]:
            key = (*key, part)
            if key in self._counts:
                key = (*key, self._counts[key] - 1)
        key = (*key, parts[-1])
        if double:
            count = self._counts.get(key, 0)
            self._counts[key] = count + 1
            key = (*key, count)
        self.table = key
        self.lines.setdefault(key, number)

    def pair(self, line: str, number: int) -> None:
        name, _, _ = line.partition("=")
        parts = _dotted(name)
        if parts:
            for n in range(1, len(parts) + 1):
                self.lines.setdefault((*self.table, *parts[:n]), number)


def line_map(text: str) -> Mapping[Key, int]:
    """Return the line number of every table and key that a simple scan of TOML ``text`` finds.

    A key that the scan misses is reported with the line of its table.
    """
    scan, depth, closing = _Scan(), 0, ""
    for number, raw in enumerate(text.splitlines(), 1):
        line = raw.strip()
        if closing:
            closing = "" if closing in line else closing
            continue
        if depth <= 0 and line and not line.startswith("#"):
            if line.startswith("["):
                scan.header(line, number)
                continue
            scan.pair(line, number)
        for quotes in ('"""', "'''"):
            if line.count(quotes) % 2:
                closing = quotes
        depth = max(0, depth + _depth(line)) if not line.startswith("#") else depth
    return scan.lines


class Source:
    """A TOML file with its name and the line of each key.

    ``elsewhere`` maps keys that came from somewhere else (a variable, a change) to its name.
    """

    def __init__(self, name: str, text: str, elsewhere: Mapping[Key, str] | None = None) -> None:
        self.name = name
        self._lines = line_map(text)
        self._elsewhere = dict(elsewhere or {})

    def line(self, key: Key) -> int | None:
        """Return the line of ``key``, or of the nearest table or key around it."""
        for end in range(len(key), 0, -1):
            if key[:end] in self._lines:
                return self._lines[key[:end]]
        return None

    def place(self, key: Key) -> str:
        """Return ``site.toml line 14: generators[0].cut_in``."""
        for end in range(len(key), 0, -1):
            if key[:end] in self._elsewhere:
                return f"{self._elsewhere[key[:end]]}: {path_text(key)}"
        line = self.line(key)
        head = self.name if line is None else f"{self.name} line {line}"
        return f"{head}: {path_text(key)}" if key else head


class Diagnostics:
    """Diagnostics found so far, in the order of files and lines, each once."""

    def __init__(self) -> None:
        self._found: dict[Mistake, tuple[int, int]] = {}
        self._sources: list[str] = []
        self._wrong: set[tuple[str, Key]] = set()

    def __bool__(self) -> bool:
        return bool(self._found)

    def add(self, source: Source, key: Key, problem: str, expected: str = "") -> None:
        """Add a mistake at ``key`` of ``source``."""
        if source.name not in self._sources:
            self._sources.append(source.name)
        self._wrong.add((source.name, key))
        mistake = Mistake(place=source.place(key), problem=problem, expected=expected)
        self._found.setdefault(
            mistake, (self._sources.index(source.name), source.line(key) or 0)
        )

    def has_mistake(self, source: Source, key: Key) -> bool:
        """Whether this key has a mistake already; what follows from it is then not reported."""
        return (source.name, key) in self._wrong

    def sorted(self) -> Sequence[Mistake]:
        """Return the mistakes in the order of files and lines."""
        return [m for m, _ in sorted(self._found.items(), key=lambda item: item[1])]


def dig(data: Any, key: Key) -> Any:
    """Return the value at ``key`` of nested tables and lists, or ``None``."""
    for part in key:
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            return None
    return data


_LARGEST = 16 << 20


def bounded(path: Path, most: int) -> bytes:
    """Return the bytes of a file of at most so many. Raises ``OSError``."""
    with path.open("rb") as file:
        raw = file.read(most + 1)
    if len(raw) > most:
        raise OSError(errno.EFBIG, f"it is larger than {most} bytes")
    return raw


def read_text(path: Path) -> tuple[bytes, str]:
    """Return the bytes and text of a file. Raises ``OSError`` or ``UnicodeDecodeError``."""
    raw = bounded(path, _LARGEST)
    return raw, raw.decode("utf-8-sig")


def unreadable(error: OSError | UnicodeDecodeError) -> str:
    """Return the reason that :func:`read_text` could not read a file."""
    why = error.strerror if isinstance(error, OSError) else None
    return f"cannot be read: {why or 'it is not UTF-8 text'}"
