"""A reader of line protocol, written from its published description and not from our writer.

Source: InfluxData's reference of line protocol (docs-v2): escapes of names, tags and strings, type
marks of fields, the range of times. It knows no mercy: what the description does not allow raises.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?\Z")
_WORDS = {"t": True, "T": True, "true": True, "True": True, "TRUE": True,
          "f": False, "F": False, "false": False, "False": False, "FALSE": False}
_LAST = 9223372036854775806


@dataclass(frozen=True)
class Point:
    measurement: str
    tags: tuple[tuple[str, str], ...]
    fields: dict[str, float | int | str | bool]
    time: int | None


def parse(body: str) -> list[Point]:
    return [_point(line) for line in body.split("\n") if not line.startswith("#")]


def _point(line: str) -> Point:
    if not line:
        raise ValueError("an empty line")
    head, at = _until(line, 0, " ", quotes=False)
    names = _split(head, ",")
    measurement = _plain(names[0], ", ")
    if not measurement or measurement.startswith("_"):
        raise ValueError(f"no name for a measurement: {measurement!r}")
    fields, at = _until(line, at, " ", quotes=True)
    rest = line[at:]
    if rest and not re.fullmatch(r"-?\d+", rest):
        raise ValueError(f"not a time: {rest!r}")
    time = int(rest) if rest else None
    if time is not None and abs(time) > _LAST:
        raise ValueError("out of the range of times")
    return Point(measurement, tuple(_tag(t) for t in names[1:]), _fields(fields), time)


def _until(text: str, at: int, stop: str, *, quotes: bool) -> tuple[str, int]:
    """What comes before the first ``stop`` that is neither escaped nor quoted."""
    start, inside = at, False
    while at < len(text):
        if text[at] == "\\":
            at += 2
            continue
        if quotes and text[at] == '"':
            inside = not inside
        elif text[at] == stop and not inside:
            return text[start:at], at + 1
        at += 1
    if inside:
        raise ValueError("a string without its end")
    return text[start:], len(text)


def _split(text: str, mark: str, *, quotes: bool = False) -> list[str]:
    parts, at = [], 0
    while True:
        part, after = _until(text, at, mark, quotes=quotes)
        parts.append(part)
        if after == at + len(part):  # no mark was passed: this was the last
            return parts
        at = after


def _plain(text: str, escaped: str) -> str:
    return re.sub(rf"\\([{re.escape(escaped)}])", r"\1", text)


def _pair(text: str, *, quotes: bool) -> tuple[str, str]:
    key, at = _until(text, 0, "=", quotes=quotes)
    if not key or at == len(key):
        raise ValueError(f"no key and value: {text!r}")
    name = _plain(key, ",= ")
    if name.startswith("_"):
        raise ValueError(f"a reserved name: {name}")
    return name, text[at:]


def _tag(text: str) -> tuple[str, str]:
    key, value = _pair(text, quotes=False)
    if not value:
        raise ValueError(f"an empty tag: {key}")
    if re.search(r"(?<!\\)[=]", value):
        raise ValueError(f"an equals sign that is not escaped: {text!r}")
    return key, _plain(value, ",= ")


def _fields(text: str) -> dict[str, float | int | str | bool]:
    parts = _split(text, ",", quotes=True)
    found = dict(_field(p) for p in parts)
    if not found:
        raise ValueError("no field")
    return found


def _field(text: str) -> tuple[str, float | int | str | bool]:
    key, value = _pair(text, quotes=True)
    if value.startswith('"'):
        if not re.fullmatch(r'"(?:[^"\\]|\\.)*"', value, re.DOTALL):
            raise ValueError(f"not a string: {value}")
        return key, re.sub(r'\\(["\\])', r"\1", value[1:-1])
    if value in _WORDS:
        return key, _WORDS[value]
    if re.fullmatch(r"-?\d+i", value):
        return key, int(value[:-1])
    if re.fullmatch(r"\d+u", value):
        return key, int(value[:-1])
    if not _NUMBER.match(value):
        raise ValueError(f"not a number: {value!r}")
    return key, float(value)
