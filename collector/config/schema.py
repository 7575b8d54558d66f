"""Reads raw tables into the models, and continues after every mistake.

A wrong value is recorded and removed, then the rest is read again: its consequences are not
reported too, and everything else is still checked.
"""

from __future__ import annotations

import copy
import os
import tomllib
import types
import typing
from collections.abc import Iterator, Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails
from pydantic_settings import EnvSettingsSource, SettingsError

from collector.config.diagnostics import Diagnostics, Key, Source, dig, nearest
from collector.config.tables import EnvironmentFile, Table

_ROUNDS = 50


_DEEPEST = 12
"""Levels of tables and lists; a site file has five."""


def parse_toml(name: str, text: str, mistakes: Diagnostics) -> dict[str, Any] | None:
    """Parse TOML, or add the syntax error with its line and return ``None``."""
    try:
        found = tomllib.loads(text)
        if _is_deeper(found, _DEEPEST):
            raise RecursionError
        return found
    except tomllib.TOMLDecodeError as exc:
        problem, _, where = str(exc).partition(" (at ")
        words = where.rstrip(")").replace(",", "").split()
        number = int(words[1]) if words[:1] == ["line"] else len(text.splitlines())
        # Handed on as a line of its own: the text is no TOML, so there are no keys to point at.
        source = Source(f"{name} line {max(number, 1)}", "")
        mistakes.add(source, (), f"not TOML: {problem[:1].lower()}{problem[1:]}",
                     "TOML 1.0, such as key = \"value\"")
        return None
    except RecursionError:
        mistakes.add(Source(name, ""), (), "nested too deeply", "a few levels of tables and lists")
        return None


def _is_deeper(data: Any, most: int) -> bool:
    """Whether tables and lists are nested in more levels; without recursion."""
    level = [data]
    for _ in range(most + 1):
        level = [inner for outer in level if isinstance(outer, dict | list)
                 for inner in (outer.values() if isinstance(outer, dict) else outer)]
    return bool(level)


def from_environment(mistakes: Diagnostics) -> tuple[dict[str, Any], dict[Key, str]]:
    """Return the tables given by environment variables, and the variable of each key."""
    try:
        tables = EnvSettingsSource(EnvironmentFile)()
    except SettingsError as exc:
        mistakes.add(Source("environment", ""), (), f"a QUIETPIPE_ variable cannot be read: {exc}",
                     "plain text, or JSON for a whole table")
        return {}, {}
    names: dict[Key, str] = {}
    for name in os.environ:
        head, *rest = name.lower().removeprefix("quietpipe_").split("__")
        if name.upper().startswith("QUIETPIPE_") and head in tables:
            key: Key = (head, *rest)
            if dig(tables, key) is not None:
                names[key] = f"environment {name}"
    return tables, names


def merged(base: dict[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """Return ``base`` with the values of ``over``, table by table."""
    result = dict(base)
    for key, value in over.items():
        below = result.get(key)
        if isinstance(value, dict) and isinstance(below, dict):
            result[key] = merged(below, value)
        else:
            result[key] = value
    return result


T = TypeVar("T", bound=Table)


def read_tables(
    model: type[T], raw: Mapping[str, Any], source: Source, mistakes: Diagnostics,
) -> T:
    """Return ``raw`` as ``model`` without its wrong values; each wrong value is a mistake."""
    data = copy.deepcopy(dict(raw))
    taken: set[Key] = set()
    for _ in range(_ROUNDS):
        try:
            result = model.model_validate(data)
        except ValidationError as exc:
            found: set[Key] = set()
            for error in exc.errors(include_url=False):
                key = _real_key(data, tuple(error["loc"]))
                if key not in found:
                    mistakes.add(source, key, *_words(model, key, error))
                found.add(key)
            for key in found:
                _take_out(data, key)
            taken |= found
            continue
        for key, name in _missing(result, ()):
            if not any((*key, name)[:n] in taken for n in range(1, len(key) + 2)):
                mistakes.add(source, key, f'"{name}" is missing', f"{name} = …")
        return result
    raise AssertionError("taking out wrong values did not end")


def _real_key(data: Any, loc: Key) -> Key:
    """Drop what pydantic adds to a key (the branch of a union it tried)."""
    for end, part in enumerate(loc):
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            return loc[:end]
    return loc


def _take_out(data: Any, key: Key) -> None:
    *above, last = key
    parent = dig(data, tuple(above))
    if isinstance(last, int):
        # An index must not move, or every later place would be wrong.
        if any(isinstance(item, dict) for item in parent or ()):
            parent[last] = {}
            return
        *above, last = above
        parent = dig(data, tuple(above))
    if isinstance(parent, dict):
        parent.pop(last, None)


def _missing(model: BaseModel, key: Key) -> Iterator[tuple[Key, str]]:
    if isinstance(model, Table):
        for name in model.needs:
            if name not in model.model_fields_set:
                yield key, name
    for name in model.model_fields_set:
        value = getattr(model, name)
        if isinstance(value, BaseModel):
            yield from _missing(value, (*key, name))
        elif isinstance(value, list):
            for index, item in enumerate(value):
                if isinstance(item, BaseModel):
                    yield from _missing(item, (*key, name, index))


_PLAIN = {
    "string_type": "text in quotes", "int_type": "a whole number", "bool_type": "true or false",
    "bool_parsing": "true or false", "int_parsing": "a whole number", "list_type": "a list [ … ]",
    "model_type": "a table", "dict_type": "a table", "float_type": "a number",
    "int_from_float": "a whole number", "string_too_short": "text that is not empty",
    "model_attributes_type": "a table", "float_parsing": "a number",
}
_SECRET = {"token", "password", "to", "link_key"}
_PATTERNS = {
    "id": "letters, digits, - and _, a letter or digit first",
    "url": "such as http://127.0.0.1:8086",
    "public_address": "such as https://board.example",
    "broker": "such as mqtt://127.0.0.1:1883 or mqtts://broker.example:8883",
    "fleet": "a word without + / # or spaces",
    "events_prefix": "a topic without + # or spaces",
    "hand_over": "a time of day such as 08:00",
}


def _words(model: type[BaseModel], key: Key, error: ErrorDetails) -> tuple[str, str]:
    """Return problem and expectation of one of pydantic's errors."""
    kind, context = error["type"], error.get("ctx", {})
    name = next((str(k) for k in reversed(key) if isinstance(k, str)), "")
    given = "" if name in _SECRET else f": {error['input']!r}"
    if kind == "ours":
        return context["problem"], context["expected"]
    if kind == "extra_forbidden":
        known = _fields(model, key[:-1])
        return f'unknown key "{name}"{nearest(name, known)}', "one of " + ", ".join(known)
    if kind in _PLAIN:
        return f"not {_PLAIN[kind]}{given}", _PLAIN[kind]
    if kind == "literal_error":
        known = [w.strip("'") for w in context["expected"].replace(" or ", ", ").split(", ")]
        return f"{error['input']!r} is none of them{nearest(str(error['input']), known)}", \
            ", ".join(known)
    if kind == "string_pattern_mismatch":
        return f"not usable as {name}{given}", _PATTERNS.get(name, context["pattern"])
    for limit, word in (("ge", "at least"), ("gt", "more than"), ("le", "at most")):
        if limit in context:
            return f"{error['input']!r} is out of range", f"{word} {context[limit]}"
    return error["msg"][:1].lower() + error["msg"][1:], ""


def _fields(model: type[BaseModel], key: Key) -> list[str]:
    """Return the known keys of the table at ``key`` of ``model``."""
    here: type[BaseModel] = model
    for part in key:
        if isinstance(part, str) and part in here.model_fields:
            inner = _table_in(here.model_fields[part].annotation)
            if inner is not None:
                here = inner
    return list(here.model_fields)


def _table_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and not isinstance(annotation, types.GenericAlias):
        return annotation if issubclass(annotation, BaseModel) else None
    for inner in typing.get_args(annotation):
        found = _table_in(inner)
        if found is not None:
            return found
    return None
