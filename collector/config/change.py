"""A change laid on a site file: the same keys in a file of their own, for a "what if"."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from collector.config.mistakes import Key, Mistakes, Source, read_text, unreadable
from collector.config.shape import parse_toml

__all__ = ["changed"]


def changed(
    base: dict[str, Any], path: Path, mistakes: Mistakes,
) -> tuple[dict[str, Any], dict[Key, str]]:
    """Return the tables with those of the file laid on them, and which file states which key.

    Things (``[[risers]]`` and the like) are changed by their id; one that is not there is a
    mistake, since a change makes nothing new.
    """
    try:
        _, text = read_text(path)
    except (OSError, UnicodeDecodeError) as exc:
        mistakes.add(Source(str(path), ""), (), unreadable(exc), "a change (TOML)")
        return base, {}
    over = parse_toml(path.name, text, mistakes)
    if over is None:
        return base, {}
    laid = _Laid(path.name, Source(path.name, text), mistakes)
    return laid.tables(base, over, (), ()), laid.names


class _Laid:
    """One change on its way into the tables of a site file."""

    def __init__(self, name: str, source: Source, mistakes: Mistakes) -> None:
        self._name, self._source, self._mistakes = name, source, mistakes
        self.names: dict[Key, str] = {}

    def tables(
        self, base: Mapping[str, Any], over: Mapping[str, Any], at: Key, there: Key,
    ) -> dict[str, Any]:
        """Return one table; ``at`` is its place in the site file, ``there`` in the change."""
        result = dict(base)
        for key, value in over.items():
            below = result.get(key)
            if isinstance(value, dict) and isinstance(below, dict):
                result[key] = self.tables(below, value, (*at, key), (*there, key))
            elif _things(value) and _things(below):
                result[key] = self._by_id(below, value, (*at, key), (*there, key))
            else:
                result[key] = value
                self.names[(*at, key)] = self._name
        return result

    def _by_id(self, base: Any, over: Any, at: Key, there: Key) -> list[Any]:
        result = list(base)
        places = dict(_ids(base))
        for number, thing in enumerate(over):
            place = places.get(thing.get("id"))
            if place is None:
                self._mistakes.add(self._source, (*there, number),
                                   f'the site file has no "{thing.get("id")}"',
                                   "the id of what is to be changed")
            else:
                result[place] = self.tables(
                    base[place], thing, (*at, place), (*there, number))
        return result


def _things(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(item, dict) for item in value)


def _ids(things: Any) -> Iterator[tuple[Any, int]]:
    for number, thing in enumerate(things):
        if isinstance(thing.get("id"), str):
            yield thing["id"], number
